"""DBC files to values, and what is said of files that are none."""

from __future__ import annotations

from pathlib import Path

import pytest

from latchtrace.errors import NetworkError
from latchtrace.network.database import load_database
from support.dbc import dbc_text

ONE = 'A : 0|8@1+ (1,0) [0|0] "" Body'


def written(tmp_path: Path, text: str | bytes, name: str = "body.dbc") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("cp1252"))
    return path


def complaint(path: Path) -> str:
    with pytest.raises(NetworkError) as caught:
        load_database(path)
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith(str(path))
    return text.removeprefix(str(path))


def test_a_missing_file_is_told_with_what_to_do(tmp_path: Path) -> None:
    assert complaint(tmp_path / "none.dbc") == ": cannot be read (No such file or directory); check the path"


def test_a_folder_an_empty_and_a_binary_file_are_told_apart(tmp_path: Path) -> None:
    assert "is a folder" in complaint(tmp_path)
    assert "is empty" in complaint(written(tmp_path, " \n"))
    assert "is binary" in complaint(written(tmp_path, b"\x00\x01BO_ 1", "binary.dbc"))


def test_a_text_that_is_no_dbc_is_told_as_such(tmp_path: Path) -> None:
    assert complaint(written(tmp_path, "(0.1) can0 123#00\n")) == ":1: is no DBC (no BO_ line in it); name a DBC file"


def test_a_broken_line_is_told_by_line_and_column(tmp_path: Path) -> None:
    text = dbc_text([ONE]) + "BO_ 257 Broken 8 Body\n"
    line = text.splitlines().index("BO_ 257 Broken 8 Body") + 1
    assert complaint(written(tmp_path, text)).startswith(f":{line}:16: is not DBC text at 'BO_ 257 Broken 8 Body'")


def test_an_identifier_too_wide_is_told_with_its_message_line(tmp_path: Path) -> None:
    text = dbc_text([ONE], number=0x800)
    line = next(i for i, one in enumerate(text.splitlines(), 1) if one.startswith("BO_ "))
    assert complaint(written(tmp_path, text)).startswith(f":{line}: Standard frame id 0x800 is more than 11 bits")


def test_overlapping_signals_are_read_with_a_notice(tmp_path: Path) -> None:
    database = load_database(written(tmp_path, dbc_text([ONE, 'B : 4|8@1+ (1,0) [0|0] "" Body'])))
    assert [signal.name for signal in database.messages[0].signals] == ["A", "B"]
    assert database.notices == ("body.dbc: The signals B and A are overlapping in message M; read all the same",)


def test_value_tables_of_signals_that_are_not_there_are_left_out_with_a_notice(tmp_path: Path) -> None:
    more = 'VAL_ 256 A 1 "ON; still" 0 "OFF" ;\nVAL_ 256 Gone 1 "X; Y" ;\nVAL_ 999 Else 1 "Z" ;'
    database = load_database(written(tmp_path, dbc_text([ONE], more=more)))
    assert database.messages[0].signals[0].choices == {1: "ON; still", 0: "OFF"}
    assert len(database.notices) == 1
    assert "Gone" in database.notices[0]
    assert "Else" in database.notices[0]


def test_a_value_table_left_hanging_and_an_overlap_are_both_told(tmp_path: Path) -> None:
    text = dbc_text([ONE, 'B : 4|8@1+ (1,0) [0|0] "" Body'], more='VAL_ 999 Else 1 "Z" ;')
    database = load_database(written(tmp_path, text))
    assert len(database.messages[0].signals) == 2
    assert len(database.notices) == 2


def test_signal_lines_that_were_passed_over_are_told(tmp_path: Path) -> None:
    text = 'VERSION "x"\nBO_ 12 A: 8 X\n SG_ foo bar\n'
    database = load_database(written(tmp_path, text))
    assert database.notices == ("body.dbc: 1 of 1 SG_ lines could not be read as signals",)


def test_two_messages_of_one_identifier_are_told(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    text = dbc_text([ONE]) + f"BO_ 256 N: 8 Body\n SG_ {ONE}\n"
    database = load_database(written(tmp_path, text))
    assert len(database.messages) == 2
    assert any("Overwriting" in notice for notice in database.notices)
    assert capfd.readouterr().err == ""


def test_standard_and_extended_identifiers_of_one_number_are_two_messages(tmp_path: Path) -> None:
    text = dbc_text([ONE]) + f"BO_ {256 | 1 << 31} N: 8 Body\n SG_ {ONE}\n"
    database = load_database(written(tmp_path, text))
    assert {(spec.name, spec.can_id, spec.extended) for spec in database.messages} == {
        ("M", 256, False),
        ("N", 256, True),
    }
    assert database.notices == ()


def test_cycle_time_comment_unit_limits_and_labels_arrive(tmp_path: Path) -> None:
    more = (
        'CM_ BO_ 256 "Latches of all doors";\n'
        'CM_ SG_ 256 Speed "wheel speed";\n'
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\n'
        'BA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
        'BA_ "GenMsgCycleTime" BO_ 256 100;\n'
        'VAL_ 256 Speed 65535 "not available" ;'
    )
    lines = ['Speed : 7|16@0+ (0.01,-5) [0|250] "km/h" Body']
    spec = load_database(written(tmp_path, dbc_text(lines, more=more))).messages[0]
    assert (spec.period, spec.comment) == (100_000_000, "Latches of all doors")
    signal = spec.signal("Speed")
    assert signal is not None
    assert (signal.unit, signal.scale, signal.offset, signal.comment) == ("km/h", 0.01, -5, "wheel speed")
    assert (signal.minimum, signal.maximum) == (0, 250)
    assert signal.choices == {65535: "not available"}
    assert signal.bits == (8, 9, 10, 11, 12, 13, 14, 15, 0, 1, 2, 3, 4, 5, 6, 7)
    assert signal.mask == 0xFFFF


def test_nested_multiplexing_lists_every_selector_above_the_outermost_first(tmp_path: Path) -> None:
    lines = [
        'Outer M : 0|4@1+ (1,0) [0|0] "" Body',
        'Inner m1M : 4|4@1+ (1,0) [0|0] "" Body',
        'Deep m2 : 8|8@1+ (1,0) [0|0] "" Body',
        'Flat m0 : 8|8@1+ (1,0) [0|0] "" Body',
    ]
    more = "SG_MUL_VAL_ 256 Inner Outer 1-1;\nSG_MUL_VAL_ 256 Deep Inner 2-3, 7-7;\nSG_MUL_VAL_ 256 Flat Outer 0-0;"
    spec = load_database(written(tmp_path, dbc_text(lines, more=more))).messages[0]
    found = {signal.name: signal.multiplexers for signal in spec.signals}
    assert found == {
        "Outer": (),
        "Inner": (("Outer", (1,)),),
        "Deep": (("Outer", (1,)), ("Inner", (2, 3, 7))),
        "Flat": (("Outer", (0,)),),
    }
    assert [signal.name for signal in spec.signals if signal.is_multiplexer] == ["Outer", "Inner"]


def test_messages_longer_than_eight_bytes_are_can_fd(tmp_path: Path) -> None:
    spec = load_database(written(tmp_path, dbc_text(['Z : 504|8@1+ (1,0) [0|0] "" Body'], length=64))).messages[0]
    assert spec.is_fd
    assert spec.signals[0].bits == tuple(range(504, 512))


@pytest.mark.parametrize("encoding", ["cp1252", "utf-8", "utf-8-sig"])
def test_units_with_special_characters_are_read_in_either_custom(tmp_path: Path, encoding: str) -> None:
    text = dbc_text(['T : 0|8@1- (1,0) [0|0] "°C" Body']).replace("\n", "\r\n")
    spec = load_database(written(tmp_path, text.encode(encoding))).messages[0]
    assert spec.signals[0].unit == "°C"


def test_a_file_that_changed_is_read_again(tmp_path: Path) -> None:
    path = written(tmp_path, dbc_text([ONE]))
    first = load_database(path)
    assert load_database(path) is first
    written(tmp_path, dbc_text([ONE.replace("A ", "B ")]))
    assert load_database(path).messages[0].signals[0].name == "B"


def test_a_signal_of_more_than_64_bits_is_told(tmp_path: Path) -> None:
    database = load_database(written(tmp_path, dbc_text(['Long : 0|100@1+ (1,0) [0|0] "" Body'], length=16)))
    assert database.notices == ("body.dbc: M.Long is 100 bits long; no role can use it",)
