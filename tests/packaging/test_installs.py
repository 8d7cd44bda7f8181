"""The wheel, the editable install and the source archive: each has what it needs and works."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

BUSES = [
    "6502",
    "8255",
    "ata-pio",
    "hd44780",
    "hd44780-nibble",
    "i8086",
    "ieee1284-epp",
    "mc68000",
    "mc68020",
    "orlop32",
    "sram",
    "vmebus",
    "z80",
]

LOOK = """
import json, busdecode
from busdecode.protocol import bundled_buses, load_bus
found = {name: str(load_bus(name).path) for name in bundled_buses()}
print(json.dumps({"package": busdecode.__file__, "buses": found}))
"""


def run(*arguments: str, cwd: Path, path: Path | None = None) -> str:
    """Run this interpreter apart from the checkout's own environment; give what it prints."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    if path is not None:
        environment["PYTHONPATH"] = str(path)
    done = subprocess.run(
        [sys.executable, *arguments],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
        env=environment,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def built(kind: str, source: Path, into: Path) -> Path:
    """Build a wheel or a source archive with what is installed here."""
    run("-m", "build", "--no-isolation", f"--{kind}", "--outdir", str(into), str(source), cwd=into)
    (archive,) = into.iterdir()
    return archive


@pytest.fixture(scope="session")
def source(checkout: Path) -> Path:
    """Give the checkout where there is one."""
    if not (checkout / "pyproject.toml").is_file():
        pytest.skip("the tests run apart from a checkout, and BUSDECODE_CHECKOUT names none")
    return checkout


@pytest.fixture(scope="session")
def wheel(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel once; BUSDECODE_WHEEL names one that is built already."""
    given = os.environ.get("BUSDECODE_WHEEL")
    return Path(given) if given else built("wheel", source, tmp_path_factory.mktemp("wheel"))


def contents(wheel: Path) -> set[str]:
    """List the files of a wheel."""
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_wheel_has_the_package_its_descriptions_and_nothing_else(wheel: Path, source: Path) -> None:
    """Check the list of files against the checkout."""
    package = {
        path.relative_to(source).as_posix()
        for path in (source / "busdecode").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    descriptions = {f"busdecode/protocols/{path.name}" for path in (source / "protocols").iterdir()}

    found = {name for name in contents(wheel) if ".dist-info/" not in name}
    assert found == package | descriptions
    assert {"busdecode/py.typed", "busdecode/protocols/z80.toml"} <= found


def test_installed_wheel_lists_and_loads_the_descriptions(wheel: Path, tmp_path: Path) -> None:
    """Check that the descriptions are read from inside the installed package."""
    target = tmp_path / "target"
    run(
        *("-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", str(target)),
        *("--disable-pip-version-check", str(wheel)),
        cwd=tmp_path,
    )
    seen = json.loads(run("-c", LOOK, cwd=tmp_path, path=target))

    assert seen["package"] == str(target / "busdecode" / "__init__.py")
    assert seen["buses"] == {
        name: str(target / "busdecode" / "protocols" / f"{name}.toml") for name in BUSES
    }


def test_editable_install_lists_and_loads_the_descriptions(source: Path, tmp_path: Path) -> None:
    """Check that the descriptions are those at the top of the checkout."""
    run(
        "-c",
        f"import hatchling.build; hatchling.build.build_editable({str(tmp_path)!r})",
        cwd=source,
    )
    (editable,) = tmp_path.glob("*.whl")
    target = tmp_path / "target"
    with zipfile.ZipFile(editable) as archive:
        archive.extractall(target)
    # As in an environment of its own: before whatever else is installed here.
    look = (
        "import site, sys\nbefore = set(sys.path)\n"
        f"site.addsitedir({str(target)!r})\nsys.path.sort(key=before.__contains__)\n{LOOK}"
    )
    seen = json.loads(run("-c", look, cwd=tmp_path))

    assert seen["package"] == str(source / "busdecode" / "__init__.py")
    assert seen["buses"] == {name: str(source / "protocols" / f"{name}.toml") for name in BUSES}


def test_source_archive_builds_the_same_wheel(wheel: Path, source: Path, tmp_path: Path) -> None:
    """Check that the archive has tests and documents, and makes the wheel that the tree makes."""
    for name in ("archive", "unpacked", "again"):
        (tmp_path / name).mkdir()
    archive = built("sdist", source, tmp_path / "archive")
    with tarfile.open(archive) as packed:
        packed.extractall(tmp_path / "unpacked", filter="data")
    (top,) = (tmp_path / "unpacked").iterdir()

    for name in ("LICENSE", "CHANGELOG.md", "docs/safety.md", "tests/conftest.py"):
        assert (top / name).is_file(), name
    assert contents(built("wheel", top, tmp_path / "again")) == contents(wheel)


@pytest.mark.skipif(
    "BUSDECODE_INSTALLED" not in os.environ, reason="for the run against the installed wheel"
)
def test_this_run_tests_the_installed_package() -> None:
    """Check that these tests import what was installed, not a tree."""
    import busdecode

    assert "site-packages" in Path(busdecode.__file__).parts
