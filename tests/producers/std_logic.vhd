-- A small bus whose values are printed at each change, to be held against the VCD of the run.
-- Only the levels 0, 1, X and Z of std_logic; VHDL 2008, times in femtoseconds.
-- Invented for this test; it follows no real bus.
library ieee;
use ieee.std_logic_1164.all;
use ieee.numeric_std.all;

entity card is
  port (
    address     : in    std_logic_vector(7 downto 0);
    data        : inout std_logic_vector(7 downto 0);
    strobe      : in    std_logic;
    is_read     : in    std_logic;
    acknowledge : out   std_logic
  );
end entity;

architecture model of card is
begin
  process
    type words is array (0 to 3) of std_logic_vector(7 downto 0);
    variable kept : words := (others => (others => 'X'));
  begin
    data <= (others => 'Z');
    acknowledge <= 'Z';
    wait until falling_edge(strobe);
    if is_read = '1' then
      data <= kept(to_integer(unsigned(address(1 downto 0)))) after 2500 ps;
    else
      kept(to_integer(unsigned(address(1 downto 0)))) := data;
    end if;
    acknowledge <= '0' after 7333333 fs;
    wait until rising_edge(strobe);
    wait for 1700 ps;
  end process;
end architecture;

library ieee;
use ieee.std_logic_1164.all;
use ieee.numeric_std.all;
use std.textio.all;

entity bench is
end entity;

architecture model of bench is
  signal address     : std_logic_vector(7 downto 0)  := (others => 'X');
  signal data        : std_logic_vector(7 downto 0)  := (others => 'Z');
  signal strobe      : std_logic                     := '1';
  signal is_read     : std_logic                     := '1';
  signal acknowledge : std_logic                     := 'Z';
  signal lanes       : std_logic_vector(0 to 3)      := (others => '0');
  signal wide        : std_logic_vector(69 downto 0) := (others => 'X');
  signal flag        : bit                           := '0';
  signal count       : integer                       := 0;
  signal volts       : real                          := 0.0;

  procedure say(text : string) is
    variable row : line;
  begin
    write(row, text);
    writeline(output, row);
  end procedure;
begin
  card_1 : entity work.card port map (address, data, strobe, is_read, acknowledge);

  lanes <= address(0) & not address(0) & strobe & acknowledge;

  process
    procedure access_card(where_to : natural; reading : boolean; what : natural) is
    begin
      is_read <= '1' when reading else '0';
      address <= std_logic_vector(to_unsigned(where_to, 8));
      if reading then
        data <= (others => 'Z');
      else
        data <= std_logic_vector(to_unsigned(what, 8));
      end if;
      wait for 5 ns;
      strobe <= '0';
      wait for 20 ns;
      strobe <= '1';
      count <= count + 1;
      volts <= 3.3 / real(count + 1);
      flag <= not flag;
      wait for 2 ns;
      data <= (others => 'Z');
      wait for 3250100 fs;
      wide <= wide(61 downto 0) & data;
    end procedure;
  begin
    say("lines bench.address[7:0] bench.data[7:0] bench.strobe bench.is_read bench.acknowledge"
      & " bench.lanes[0:3] bench.wide[69:0] bench.flag bench.card_1.data[7:0]");
    wait for 10 ns;
    for number in 0 to 11 loop
      access_card(number * 37 mod 256, number mod 4 > 1, number * 91 mod 256);
    end loop;
    -- Both drive: bits that differ are unknown.
    is_read <= '1';
    wait for 5 ns;
    strobe <= '0';
    wait for 9 ns;
    data <= "0101XZ01";
    wait for 4 ns;
    strobe <= '1';
    data <= (others => 'Z');
    -- There and back at one time: no width, so no row.
    wait for 5 ns;
    strobe <= '0';
    wait for 0 ns;
    strobe <= '1';
    wait for 30 ns;
    flag <= not flag;
    say("end " & to_string(now / 1 fs / 1000));
    wait for 1 ns;
    std.env.finish;
  end process;

  -- Runs when nothing more happens at a moment.
  postponed process (all)
    variable twice : integer;
  begin
    twice := now / 500 fs;
    say("row " & to_string((twice + 1) / 2) & " " & to_string(address) & " " & to_string(data)
      & " " & to_string(strobe) & " " & to_string(is_read) & " " & to_string(acknowledge)
      & " " & to_string(lanes) & " " & to_string(wide) & " " & to_string(flag)
      & " " & to_string(data));
  end process;
end architecture;
