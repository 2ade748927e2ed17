"""Evidence: references turned into frames with file and line, or into proven absences."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from latchtrace.capture import lookup
from latchtrace.capture.lookup import resolve
from latchtrace.capture.reader import find_captures
from latchtrace.model.frames import Frame
from latchtrace.model.plan import MessageKey, MessagePlan, ReadPlan
from latchtrace.model.results import Evidence, EvidenceRef, LastBefore, NoneIn, Seen
from latchtrace.model.time import Interval
from support.captures import at, read, text_line, write
from support.rows import Sent

PLAN = ReadPlan((MessagePlan(MessageKey("body", 0x100), mask=0xFF),), aliases={"can0": "body"})


def frames() -> list[Sent]:
    """Two ids of two channels, each second and each three seconds; payload is the second."""
    each = [Sent(at(t), bytes([t]), 0x100, "can0") for t in range(60)]
    third = [Sent(at(t + 0.5), bytes([t]), 0x1ABCDEF, "can1", extended=True) for t in range(0, 60, 3)]
    return sorted(each + third, key=lambda one: one.t)


def found(paths: list[Path], *refs: EvidenceRef) -> dict[EvidenceRef, Evidence]:
    """What the references resolve to."""
    outcome = read(paths, PLAN)
    return resolve(refs, outcome.store, find_captures([str(path) for path in paths]), outcome.report)


def test_a_row_is_shown_with_file_line_and_payload(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", frames())
    ref = Seen(3, "Doors.Latch", "locked")
    evidence = found([path], ref)[ref]
    line = path.read_text().splitlines()[evidence.line - 1]
    assert line.endswith("#03")
    assert evidence == Evidence("a.log", evidence.line, at(3), "body", 0x100, False, "03", "Doors.Latch", "locked")


@pytest.mark.parametrize(("moment", "last"), [(10.7, 9), (10.5, 9), (9.5, 6), (0.6, 0), (100, 57)])
def test_last_before_is_strictly_before(tmp_path: Path, moment: float, last: int) -> None:
    path = write(tmp_path / "a.log", frames())
    ref = LastBefore("can1", 0x1ABCDEF, True, at(moment))
    evidence = found([path], ref)[ref]
    assert (evidence.t, evidence.data) == (at(last + 0.5), f"{last:02X}")
    assert path.read_text().splitlines()[evidence.line - 1] == text_line(
        Sent(at(last + 0.5), bytes([last]), 0x1ABCDEF, "can1", extended=True)
    )


def test_a_last_before_that_is_not_there_is_left_out(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", frames())
    assert (
        found([path], LastBefore("can1", 0x1ABCDEF, True, at(0.5)), LastBefore("can1", 0x1ABCDEF, False, at(9))) == {}
    )


def test_an_absence_is_bounded_by_the_frames_around_it(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", frames())
    ref = NoneIn("can1", 0x1ABCDEF, True, Interval(at(10), at(12)), "button pressed")
    evidence = found([path], ref)[ref]
    assert (evidence.after, evidence.until) == (at(9.5), at(12.5))
    assert (evidence.absence, evidence.data, evidence.value) == (True, "", "button pressed")
    assert path.read_text().splitlines()[evidence.line - 1].endswith("#09")


def test_an_id_that_never_came_is_absent_all_over_the_span(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", frames())
    ref = NoneIn("body", 0x555, False, Interval(at(10), at(12)))
    evidence = found([path], ref)[ref]
    assert (evidence.after, evidence.until, evidence.line, evidence.file) == (at(10), at(12), 0, "a.log")


def test_many_questions_of_one_id_are_answered_each(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", frames())
    refs: list[EvidenceRef] = [LastBefore("body", 0x100, False, at(t / 4)) for t in range(1, 200)]
    refs += [NoneIn("body", 0x100, False, Interval(at(t / 4), at(t / 4 + 0.1))) for t in range(1, 200)]
    answers = found([path], *refs)
    for ref in refs:
        if isinstance(ref, LastBefore):
            want = max(one.t for one in frames() if one.can_id == 0x100 and one.t < ref.t)
            assert answers[ref].t == want
        elif isinstance(ref, NoneIn):
            times = [one.t for one in frames() if one.can_id == 0x100]
            assert answers[ref].after == max(t for t in times if t < ref.span.lo)
            assert answers[ref].until == min((t for t in times if t > ref.span.hi), default=ref.span.hi)


def test_the_plans_channel_names_lead_back_to_the_files(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", frames())
    ref = LastBefore("body", 0x100, False, at(20.5))
    assert found([path], ref)[ref].data == "14"
    assert found([path], LastBefore("can0", 0x100, False, at(20.5))) == {}


def test_the_right_file_of_several_is_named(tmp_path: Path) -> None:
    parts = [frames()[:40], frames()[40:]]
    paths = [write(tmp_path / "b.log", parts[0]), write(tmp_path / "a.log", parts[1])]
    refs = [LastBefore("body", 0x100, False, at(5.5)), LastBefore("body", 0x100, False, at(50.5))]
    answers = found(paths, *refs)
    assert [answers[ref].file for ref in refs] == ["b.log", "a.log"]


def test_a_compressed_file_is_looked_up_by_its_uncompressed_lines(tmp_path: Path) -> None:
    path = tmp_path / "a.log.gz"
    path.write_bytes(gzip.compress("".join(text_line(one) + "\n" for one in frames()).encode()))
    ref = LastBefore("body", 0x100, False, at(20.5))
    assert found([path], ref)[ref].line == 28


def test_late_frames_count_at_their_time(tmp_path: Path) -> None:
    mixed = [Sent(at(t), bytes([n]), 0x100) for n, t in enumerate((1, 2, 3, 2.5, 4))]
    path = write(tmp_path / "a.log", mixed)
    ref = LastBefore("body", 0x100, False, at(2.9))
    assert found([path], ref)[ref].line == 4


def test_no_file_is_read_again_for_rows_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "a.log", frames())
    outcome, sources = read(path, PLAN), find_captures([str(path)])
    path.unlink()
    assert len(resolve([Seen(0), Seen(1)], outcome.store, sources, outcome.report)) == 2


def test_only_files_with_the_channel_are_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = write(tmp_path / "a.log", [sent for sent in frames() if sent.channel == "can0"])
    other = write(tmp_path / "b.log", [sent for sent in frames() if sent.channel == "can1"])
    outcome, sources = read([one, other], PLAN), find_captures([str(one), str(other)])
    other.unlink()
    ref = LastBefore("body", 0x100, False, at(5.5))
    assert resolve([ref], outcome.store, sources, outcome.report)[ref].data == "05"


def test_reading_again_stops_once_all_is_answered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many = [Sent(at(t / 100), bytes([t % 256]), 0x100) for t in range(60_000)]
    path = write(tmp_path / "a.log", many)
    outcome, (source,) = read(path, PLAN), find_captures([str(path)])
    taken: list[int] = []
    take = lookup._Wanted.take

    def counted(self: lookup._Wanted, frame: Frame, file: int) -> None:
        taken.append(file)
        take(self, frame, file)

    monkeypatch.setattr(lookup._Wanted, "take", counted)
    ref = NoneIn("body", 0x100, False, Interval(at(5.001), at(5.002)))
    evidence = resolve([ref], outcome.store, [source], outcome.report)[ref]
    assert (evidence.after, evidence.until) == (at(5), at(5.01))
    assert len(taken) < 10_000
