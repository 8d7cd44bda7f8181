"""Candidates ranked, those that cannot be told apart together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import comb
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busdecode.diagnosis.score import Scores, score
from busdecode.diagnosis.together import together
from busdecode.faults import Absent, Bridge
from busdecode.predict import FaultRows, lines_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from busdecode.diagnosis.evidence import Evidence
    from busdecode.faults import Fault
    from busdecode.predict import Model

__all__ = ["Group", "Judgement", "Scored", "judge", "score_all"]

_RANKED = 3000
"""So many candidates are grouped, the best ones."""

_FAR = 25.0
"""Candidates whose weight (natural logarithm) is so far below the best are left out."""

_FIRST, _TIMES = 500, 4
"""Of more than twice so many observations, the first so many decide which candidates are held
against the others; then the first of four times as many; and so on."""

_FIRST_FAR, _FIRST_IDLE = 500.0, 25.0
"""Of these, candidates whose weight is so far below the best are left out: 100 bits by chance; and
those of the second that explain nothing, and foretold as wrong what was right: 5 bits."""

_SETTLED = 0.9
"""A group that has this share of the likelihood is the answer."""

_TELLING = 0.5
"""A group that foretells less of the bits that were read is no answer."""

_MOST = 0.8
"""A group that explains this share of what was wrong, and leaves the rest open, is an answer."""

_RIVAL = 1e-3
"""A group with less than this share of the likelihood leaves so much open that it is no rival."""

_CHANCE = 0.01
"""A group that leaves wrong reads open is an answer where chance would hardly do as well."""


@dataclass(frozen=True)
class Group:
    """Candidates that foretell the same for every read that was made: one answer.

    Parameters
    ----------
    faults : tuple of Fault
    explained, unexplained, refuted, silent, agrees : int
        Reads, as `Scores` has them.
    foretold : float
        The share of the bits read of which they foretell anything, from 0 to 1.
    share : float
        How likely it is that the cause is one of these, of all candidates, from 0 to 1.
    """

    faults: tuple[Fault, ...]
    explained: int
    unexplained: int
    refuted: int
    silent: int
    agrees: int
    foretold: float
    share: float

    @property
    def contradicted(self) -> int:
        """The reads that were foretold otherwise than they were."""
        return self.unexplained + self.refuted


@dataclass(frozen=True)
class Judgement:
    """What read-backs tell of the cause.

    Parameters
    ----------
    healthy : bool or None
        Whether every read that can be judged was right; None where none can be judged.
    reads, wrong : int
        Reads that can be judged, and those of them that were wrong.
    groups : tuple of Group
        Best first; none where nothing was wrong.
    together : int
        How many of the first groups are there at once, as far as can be told.
    more_than_one_cause : bool
        No single candidate foretells every read: there is more than one cause, or one that
        comes and goes, or one that no candidate stands for.
    unseen : tuple of Fault
        Where nothing was wrong: the candidates that would have shown nothing either.
    silent : tuple of Fault
        Those of which nothing can be foretold: with many of them the card hangs.
    akin : tuple of Fault
        Where the first group is about one line: candidates that tie it to a line of control,
        and that nothing speaks against, though less is foretold of them. Where it is of control:
        ties of its lines to those of which nobody knows what was on them. Where it is a tie: the
        same with another line winning. They are not excluded.
    is_in_doubt : bool
        The first group keeps the card from answering or from being written to, as candidates
        in `silent` do.
    by_chance : float
        How likely it is that wrong reads would lie by chance where the first group leaves
        open what is read, from 0 to 1.
    rivals : int
        Groups after the first that nothing contradicts and that explain something wrong; where
        lines were seen too, only those of some likelihood. None that ties the same two lines as
        the first.
    enough : float
        The share of what was wrong that an answer explains, if it leaves the rest open: all of
        it, but where lines were seen too, which tell much of any candidate.
    notes : tuple of str
    doubts : tuple of str
        Which captures may be of another run than their log. Nothing is settled by these.
    """

    healthy: bool | None
    reads: int
    wrong: int
    groups: tuple[Group, ...]
    together: int
    more_than_one_cause: bool
    unseen: tuple[Fault, ...]
    silent: tuple[Fault, ...]
    akin: tuple[Fault, ...]
    is_in_doubt: bool
    by_chance: float
    rivals: int
    enough: float
    notes: tuple[str, ...]
    doubts: tuple[str, ...] = ()

    @property
    def is_settled(self) -> bool:
        """Whether one group is the answer.

        Nothing read contradicts it, it foretells most bits, and no other that is not contradicted
        foretells a wrong read. It foretells what each wrong read returns, or what some do, and of
        the others that they may be wrong: what a card holds that was never written to is not known.
        Groups that tie the very same two lines are one answer: only which line wins differs.
        """
        if not self.groups or self.more_than_one_cause or self.is_in_doubt or self.doubts:
            return False
        first = self.groups[0]
        return (
            not first.contradicted
            and first.explained > 0
            and (first.explained >= self.enough * self.wrong or self.by_chance <= _CHANCE)
            and first.foretold >= _TELLING
            and first.share + sum(each.share for each in _same_tie(self.groups)) >= _SETTLED
            and not self.rivals
        )


def judge(evidence: Evidence, faults: Sequence[Fault], scored: Scored | None = None) -> Judgement:
    """Rank candidates by what was seen.

    Parameters
    ----------
    evidence : Evidence
    faults : sequence of Fault
    scored : Scored, optional
        Where they were scored before, by this evidence.
    """
    wrong = int((evidence.wrong != 0).sum())
    verdict = Judgement(
        healthy=None if not evidence.judged else not wrong,
        reads=evidence.judged,
        wrong=wrong,
        groups=(),
        together=0,
        more_than_one_cause=False,
        unseen=(),
        silent=(),
        akin=(),
        is_in_doubt=False,
        by_chance=1.0,
        rivals=0,
        enough=1.0,
        notes=evidence.notes,
    )
    if not evidence.judged or not faults:
        return replace(verdict, more_than_one_cause=wrong > 0)
    rows, scores, silent = score_all(evidence, faults) if scored is None else scored
    says_nothing = (scores.silent == len(evidence.seen)) & (scores.explained == 0)
    silent += _chosen(rows, says_nothing)
    if not wrong:
        is_left = (scores.contradicted == 0) & ~says_nothing
        return replace(verdict, unseen=_chosen(rows, is_left), silent=silent)
    groups = _grouped(evidence, rows, scores)
    has_more = groups[0].contradicted > 0
    together = 1
    if has_more and (pair := _two_causes(evidence, rows, scores)) is not None:
        first = [_group(evidence, rows.faults, scores, alike) for alike in pair]
        taken = {group.faults[0] for group in first}
        groups = [*first, *(group for group in groups if group.faults[0] not in taken)]
        together = 2
    least = _RIVAL if evidence.of_lines.any() else 0.0
    if may_hang := _may_hang(evidence, groups[0], wrong):
        if not evidence.is_judged_read.any():
            # No read tells more: that less of its lines is foretold excludes none.
            least = 0.0
        silent += _chosen(rows, _silent_in_reads(evidence, rows, scores))
    return replace(
        verdict,
        groups=tuple(groups),
        together=together,
        more_than_one_cause=has_more,
        silent=silent,
        akin=(
            *(f for group in _same_tie(groups) if group.share >= least for f in group.faults),
            *_akin(evidence.model, groups[0], rows, scores, silent),
        ),
        rivals=_rivals(groups, least=least),
        enough=_MOST if evidence.of_lines.any() else 1.0,
        by_chance=_by_chance(evidence, groups[0]),
        is_in_doubt=bool(silent) and may_hang,
    )


class Scored(NamedTuple):
    """Candidates that were held against all of the evidence, and their scores.

    `silent` has those of which the first observations foretell nothing; they are not among them.
    """

    rows: FaultRows
    scores: Scores
    silent: tuple[Fault, ...]


def score_all(evidence: Evidence, faults: Sequence[Fault]) -> Scored:
    """Score candidates; where there is much evidence, those that its first part leaves possible."""
    rows = FaultRows(evidence.model, faults)
    silent: tuple[Fault, ...] = ()
    count = _FIRST
    while len(evidence.seen) > 2 * count:
        begun = evidence.first(count)
        early = score(begun, rows)
        is_silent = (early.silent == len(begun.seen)) & (early.explained == 0)
        kept = ~is_silent & _may_be(early, is_wrong=bool(evidence.wrong.any()))
        kept |= ~is_silent & _silent_in_reads(begun, rows, early)
        if kept.any():
            silent += _chosen(rows, is_silent)
            rows = rows.part(np.flatnonzero(kept))
        count *= _TIMES
    return Scored(rows, score(evidence, rows), silent)


def _rivals(groups: Sequence[Group], *, least: float) -> int:
    """Count the groups after the first that would do as well, but for their likelihood."""
    alike = _same_tie(groups)
    return sum(
        not each.contradicted and each.explained > 0 and each.share >= least
        for each in groups[1:]
        if each not in alike
    )


def _same_tie(groups: Sequence[Group]) -> list[Group]:
    """Give the groups after the first that explain by a tie of the same two lines, if that does."""
    tied = {_tied(fault) for fault in groups[0].faults}
    if len(tied) != 1 or None in tied:
        return []
    return [
        each
        for each in groups[1:]
        if not each.contradicted
        and each.explained
        and {_tied(fault) for fault in each.faults} == tied
    ]


def _tied(fault: Fault) -> frozenset[str] | None:
    return frozenset((fault.a, fault.b)) if isinstance(fault, Bridge) else None


def _akin(
    model: Model, group: Group, rows: FaultRows, scores: Scores, silent: tuple[Fault, ...]
) -> tuple[Fault, ...]:
    """Give the candidates that tie the group's one line to one of control, and are not excluded."""
    own = set.intersection(*(set(lines_of(fault)) for fault in group.faults))
    if len(own) != 1:
        return ()
    known = set(group.faults)
    return tuple(
        fault
        for fault in dict.fromkeys((*_chosen(rows, scores.contradicted == 0), *silent))
        if fault not in known and own & set(lines_of(fault)) and model.controls(fault)
    )


def _chosen(rows: FaultRows, is_chosen: NDArray[np.bool_]) -> tuple[Fault, ...]:
    """Give some of the candidates."""
    faults = (rows.faults[at] for at in np.flatnonzero(is_chosen).tolist())
    return tuple(fault for fault in faults if fault is not None)


def _may_be(scores: Scores, *, is_wrong: bool) -> NDArray[np.bool_]:
    """Tell which candidates may still be the cause, or one of two, after the first reads.

    What contradicts a candidate of the first reads does so of all; noise is allowed for.
    """
    below = scores.weight.max() - scores.weight
    is_idle = (scores.matched == 0) & (scores.invented > 0)
    may_be: NDArray[np.bool_] = below <= np.where(is_idle, _FIRST_IDLE, _FIRST_FAR)
    may_be |= (scores.contradicted == 0) & ((scores.explained > 0) | (not is_wrong))
    may_be |= (scores.matched > 0) & (scores.invented == 0)
    return may_be


def _by_chance(evidence: Evidence, group: Group) -> float:
    """Give how likely what a group does not explain would be where it leaves all open by chance."""
    rows = FaultRows(evidence.model, group.faults[:1])
    known = next(evidence.over(rows))[1].known[0]
    is_wrong = evidence.wrong != 0
    is_left = is_wrong & (evidence.wrong & ~known != 0)
    bits = np.bitwise_or.reduce(evidence.wrong[is_left], initial=np.uint64(0))
    is_open = (bits & evidence.looked & ~known) != 0
    others, left = int((~is_wrong | is_left).sum()), int(is_left.sum())
    return comb(int((is_open & (~is_wrong | is_left)).sum()), left) / comb(others, left)


def _may_hang(evidence: Evidence, group: Group, wrong: int) -> bool:
    """Tell whether a card that hangs could look like this group: nothing shows that it answers."""
    model = evidence.model
    is_absent = any(isinstance(fault, Absent) for fault in group.faults)
    is_of_control = all(isinstance(f, Absent) or model.controls(f) for f in group.faults)
    return is_of_control and (is_absent or 2 * wrong > evidence.judged)


def _silent_in_reads(evidence: Evidence, rows: FaultRows, scores: Scores) -> NDArray[np.bool_]:
    """Tell which candidates of control foretell nothing of any read, though they do of lines.

    Where no read can be judged that tells nothing of them.
    """
    is_silent = np.zeros(len(rows), dtype=bool)
    reads = evidence.is_judged_read
    if not evidence.of_lines.any() or not reads.any():
        return is_silent
    some = np.flatnonzero(rows.controls & (scores.contradicted == 0) & (scores.matched == 0))
    looked = evidence.looked[reads]
    for part, foretold in evidence.over(rows.part(some)):
        known = foretold.known[:, reads] & looked
        is_silent[some[part]] = (known == 0).all(axis=1)
    return is_silent


def _in_order(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Put a card that is not there first: it is looked at before any line."""
    return tuple(sorted(faults, key=lambda fault: not isinstance(fault, Absent)))


def _group(
    evidence: Evidence, faults: Sequence[Fault | None], scores: Scores, alike: Sequence[int]
) -> Group:
    """Make a group of candidates, given by their places."""
    at = alike[0]
    weight = scores.weight - scores.weight.max()
    return Group(
        _in_order(fault for each in sorted(alike) if (fault := faults[each]) is not None),
        int(scores.explained[at]),
        int(scores.unexplained[at]),
        int(scores.refuted[at]),
        int(scores.silent[at]),
        int(scores.agrees[at]),
        float(scores.foretold[at] / max(1, int(np.bitwise_count(evidence.looked).sum()))),
        float(np.exp(weight[list(alike)]).sum() / np.exp(weight).sum()),
    )


def _grouped(evidence: Evidence, rows: FaultRows, scores: Scores) -> list[Group]:
    """Give groups, best first."""
    weight = scores.weight
    order = np.argsort(-weight, kind="stable")
    is_near = weight[order] >= weight[order[0]] - _FAR
    partial = (scores.matched[order] > 0) & (scores.invented[order] == 0)
    chosen = order[is_near | partial][:_RANKED]
    members: dict[bytes, list[int]] = {}
    for part, foretold in evidence.over(rows.part(chosen)):
        known = foretold.known & evidence.looked
        words = foretold.words & known
        for at, word, bits in zip(chosen[part].tolist(), words, known, strict=True):
            members.setdefault(word.tobytes() + bits.tobytes(), []).append(at)
    return [_group(evidence, rows.faults, scores, alike) for alike in members.values()]


def _two_causes(
    evidence: Evidence, rows: FaultRows, scores: Scores
) -> tuple[list[int], ...] | None:
    """Give the places of two causes that together foretell every wrong read, if there are such."""
    able = np.flatnonzero(scores.matched > 0)
    able = able[np.argsort(scores.invented[able] - scores.matched[able], kind="stable")][:_RANKED]
    for found in together(evidence, rows.part(able), explaining=True, most=1):
        if len(found.members) == 2:
            return tuple(able[list(alike)].tolist() for alike in found.members)
    return None
