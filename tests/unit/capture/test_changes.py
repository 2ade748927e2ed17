"""Which frames come through, and why; the columns of a batch; what the report counts."""

from __future__ import annotations

from pathlib import Path

import pytest

from latchtrace.capture import changes
from latchtrace.capture.reader import find_captures, read_changes, scan
from latchtrace.errors import UsageError
from latchtrace.model.frames import FrameFlags, IdStatistics, Why
from latchtrace.model.plan import Emit, MessageKey, MessagePlan, Pages, ReadPlan
from latchtrace.model.time import NO_TIME, SECOND
from support.captures import Outcome, at, body, ms, read, traffic, write
from support.rows import Sent


def message(number: int = 0x100, channel: str | None = None, **more: object) -> MessagePlan:
    """The plan of one message; all bits count unless said otherwise."""
    settings: dict[str, object] = {"mask": 2**64 - 1, **more}
    return MessagePlan(MessageKey(channel, number), **settings)  # type: ignore[arg-type]


def whys(outcome: Outcome) -> list[tuple[float, Why]]:
    """When (in tenths of a second) and why rows came through."""
    return [((row.sent.t - at(0)) / SECOND * 10, row.why) for row in outcome.rows]


def run(tmp_path: Path, payloads: list[str], *plans: MessagePlan) -> Outcome:
    """Frames of id 100 every 100 ms with these payloads."""
    frames = [Sent(at(number / 10), bytes.fromhex(data)) for number, data in enumerate(payloads)]
    return read(write(tmp_path / "a.log", frames), ReadPlan(plans))


def test_only_the_first_frame_and_changes_come_through(tmp_path: Path) -> None:
    outcome = run(tmp_path, ["11", "11", "12", "12", "11"], message())
    assert whys(outcome) == [(0, Why.FIRST), (2, Why.CHANGE), (4, Why.CHANGE)]
    assert [row.previous for row in outcome.rows] == [NO_TIME, at(0.1), at(0.3)]


def test_bits_outside_the_mask_do_not_count(tmp_path: Path) -> None:
    outcome = run(tmp_path, ["0011", "0012", "0112", "0113", "0013"], message(mask=0x00FF))
    assert whys(outcome) == [(0, Why.FIRST), (2, Why.CHANGE), (4, Why.CHANGE)]


def test_every_bit_of_64_bytes_can_count(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text(
        "".join(f"({i}.000000) can0 100##1{'00' * 63}{byte}\n" for i, byte in enumerate(["00", "80", "C0"]))
    )
    outcome = read(path, ReadPlan((message(mask=1 << 511),)))
    assert [row.why for row in outcome.rows] == [Why.FIRST, Why.CHANGE]
    batch = outcome.batches[0]
    assert batch.payload.shape == (2, 64)
    assert batch.data(1) == bytes(63) + b"\x80"
    assert batch.flags.tolist() == [(FrameFlags.FD | FrameFlags.BRS).value] * 2


def test_always_lets_every_frame_through(tmp_path: Path) -> None:
    outcome = run(tmp_path, ["11", "11", "12", "12"], message(emit=Emit.ALWAYS))
    assert whys(outcome) == [(0, Why.FIRST), (1, Why.ALWAYS), (2, Why.CHANGE), (3, Why.ALWAYS)]


def test_a_silence_longer_than_the_limit_lets_the_same_payload_through(tmp_path: Path) -> None:
    frames = [Sent(at(value), b"\x11") for value in (0, 0.3, 0.6, 0.91, 1.2)]
    outcome = read(write(tmp_path / "a.log", frames), ReadPlan((message(silence_limit=ms(300)),)))
    assert whys(outcome) == [(0, Why.FIRST), (pytest.approx(9.1), Why.AFTER_SILENCE)]
    assert outcome.rows[1].previous == at(0.6)


def test_a_silence_limit_holds_after_many_regular_frames_too(tmp_path: Path) -> None:
    moments = [number / 10 for number in range(200)]
    del moments[150:153]
    frames = [Sent(at(value), b"\x11") for value in moments]
    outcome = read(write(tmp_path / "a.log", frames), ReadPlan((message(silence_limit=ms(250)),)))
    assert whys(outcome) == [(0, Why.FIRST), (153, Why.AFTER_SILENCE)]


def test_short_frames_come_through_when_they_begin_change_and_end(tmp_path: Path) -> None:
    outcome = run(tmp_path, ["0000", "00", "00", "01", "", "0000", "0000"], message(shortest=2))
    assert whys(outcome) == [
        (0, Why.FIRST),
        (1, Why.SHORT),
        (3, Why.SHORT),
        (4, Why.SHORT),
        (5, Why.CHANGE),
    ]


def test_rotating_pages_are_compared_with_the_same_page(tmp_path: Path) -> None:
    plan = message(pages=Pages.ROTATING, selector=0xFF, page_masks={0: 0xFFFF, 1: 0xFFFF}, mask=0xFF)
    outcome = run(tmp_path, ["00AA", "01BB", "00AA", "01BC", "00AA", "05EE", "05EF", "00AB"], plan)
    assert whys(outcome) == [
        (0, Why.FIRST),
        (1, Why.FIRST),
        (3, Why.CHANGE),
        (5, Why.FIRST),
        (7, Why.CHANGE),
    ]
    assert [row.previous for row in outcome.rows] == [NO_TIME, at(0), at(0.2), at(0.4), at(0.6)]
    assert [row.previous_page for row in outcome.rows] == [NO_TIME, NO_TIME, at(0.1), NO_TIME, at(0.4)]


def test_kind_pages_come_through_whenever_another_kind_was_between(tmp_path: Path) -> None:
    plan = message(pages=Pages.KIND, selector=0xFF, page_masks={3: 0xFFFF, 4: 0xFFFF})
    outcome = run(tmp_path, ["03AA", "03AA", "04BB", "03AA", "03AA"], plan)
    assert whys(outcome) == [(0, Why.FIRST), (2, Why.FIRST), (3, Why.PAGE)]
    assert outcome.rows[2].previous == at(0.2)
    assert outcome.rows[2].previous_page == at(0.1)


def test_a_repeated_page_keeps_the_time_of_its_last_frame(tmp_path: Path) -> None:
    plan = message(pages=Pages.ROTATING, selector=0xFF, page_masks={0: 0xFFFF, 1: 0xFFFF})
    outcome = run(tmp_path, ["00AA", "00AA", "00AA", "01BB", "00AB"], plan)
    assert outcome.rows[-1].previous_page == at(0.2)


def test_a_frame_too_short_for_its_selector_has_a_page_of_its_own(tmp_path: Path) -> None:
    plan = message(pages=Pages.ROTATING, selector=0xFF00, page_masks={0: 0xFFFFFF}, mask=0xFF00, shortest=3)
    outcome = run(tmp_path, ["110055", "11", "110055", "11"], plan)
    assert whys(outcome) == [(0, Why.FIRST), (1, Why.FIRST)]


def test_standard_and_extended_ids_of_one_number_are_apart(tmp_path: Path) -> None:
    frames = [Sent(at(n / 10), bytes([n // 2]), 0x100, extended=bool(n % 2)) for n in range(6)]
    extended = MessagePlan(MessageKey(None, 0x100, extended=True), mask=0xFF)
    outcome = read(write(tmp_path / "a.log", frames), ReadPlan((extended,)))
    assert [row.sent.data for row in outcome.rows] == [b"\x00", b"\x01", b"\x02"]
    assert all(row.sent.extended for row in outcome.rows)
    assert [(one.extended, one.frames) for one in outcome.report.ids] == [(False, 3), (True, 3)]


def test_aliases_join_channels_and_plans_name_them_as_the_vehicle_does(tmp_path: Path) -> None:
    frames = [Sent(at(n / 10), bytes([n]), 0x100, f"can{n % 3}") for n in range(9)]
    plan = ReadPlan((message(channel="body"),), aliases={"can0": "body", "can1": "body"})
    outcome = read(write(tmp_path / "a.log", frames), plan)
    assert {row.sent.channel for row in outcome.rows} == {"body"}
    assert [row.previous for row in outcome.rows[1:3]] == [at(0), at(0.1)]
    assert {one.channel: one.frames for one in outcome.report.ids} == {"body": 6, "can2": 3}
    assert outcome.report.files[0].channels == ("can0", "can1", "can2")
    assert outcome.report.renamed == (("can0", "body"), ("can1", "body"))


def test_a_plan_for_one_channel_goes_before_one_for_all(tmp_path: Path) -> None:
    frames = [Sent(at(n / 10), bytes([n]), 0x100, f"can{n % 2}") for n in range(8)]
    plan = ReadPlan((message(mask=0), message(channel="can1")))
    outcome = read(write(tmp_path / "a.log", frames), plan)
    assert [row.sent.channel for row in outcome.rows] == ["can0", "can1", "can1", "can1", "can1"]


def test_remote_and_error_frames_are_counted_and_do_not_come_through(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text(
        "(1.000000) can0 100#11\n(1.100000) can0 100#R1\n(1.200000) can0 20000004#0000000000000000\n"
        "(1.300000) can0 100#12\n"
    )
    outcome = read(path, ReadPlan((message(emit=Emit.ALWAYS),)))
    assert [row.sent.data for row in outcome.rows] == [b"\x11", b"\x12"]
    assert outcome.rows[1].previous == 1_000_000_000
    assert (outcome.report.error_frames, outcome.report.remote_frames, outcome.report.frames) == (1, 1, 4)


def test_received_and_sent_frames_are_one_message(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("(1.000000) can0 100#11 R\n(1.100000) can0 100#11 T\n(1.200000) can0 100#12 R\n")
    assert [row.why for row in read(path, ReadPlan((message(),))).rows] == [Why.FIRST, Why.CHANGE]


def test_rows_point_at_file_line_and_offset(tmp_path: Path) -> None:
    one = write(tmp_path / "a.log", [Sent(at(1), b"\x01"), Sent(at(3), b"\x02")])
    other = write(tmp_path / "b.log", [Sent(at(2), b"\x03"), Sent(at(4), b"\x04")])
    outcome = read([one, other], ReadPlan((message(),)))
    paths = [one, other]
    for row in outcome.store:
        text = paths[row.file].read_bytes()[row.offset :].split(b"\n")[0]
        assert text.endswith(row.data.hex().upper().encode())
        assert paths[row.file].read_bytes()[: row.offset].count(b"\n") == row.line - 1
    assert [row.file for row in outcome.store] == [0, 1, 0, 1]


def test_batches_follow_each_other_and_the_watermark_covers_their_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(changes, "_MOST_FRAMES", 500)
    frames = traffic(body(), 0, 60)
    outcome = read(write(tmp_path / "a.log", frames), ReadPlan((message(emit=Emit.ALWAYS),)))
    marks = [batch.watermark for batch in outcome.batches]
    assert len(marks) > 1
    assert marks == sorted(marks)
    assert marks[-1] == frames[-1].t
    for before, batch in zip([NO_TIME, *marks], outcome.batches, strict=False):
        assert all(before < t <= batch.watermark for t in batch.t.tolist())


def test_a_reading_without_rows_still_tells_the_watermark(tmp_path: Path) -> None:
    outcome = run(tmp_path, ["11", "12"])
    assert [(len(batch), batch.watermark) for batch in outcome.batches] == [(0, at(0.1))]


def test_the_report_waits_for_the_end(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", [Sent(at(1), b"")])
    reader = read_changes(find_captures([str(path)]), ReadPlan())
    with pytest.raises(UsageError, match="once all batches"):
        _ = reader.report


def test_a_message_planned_twice_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", [Sent(at(1), b"")])
    with pytest.raises(UsageError, match="twice"):
        read_changes(find_captures([str(path)]), ReadPlan((message(), message())))


def statistics(tmp_path: Path, frames: list[Sent]) -> IdStatistics:
    """The statistics of the one id of these frames."""
    (found,) = scan(find_captures([str(write(tmp_path / "a.log", frames))])).ids
    return found


def test_statistics_of_an_id(tmp_path: Path) -> None:
    moments, payloads = (0, 0.1, 0.3, 0.6), ("0011", "0111", "0111", "8011FF")
    found = statistics(tmp_path, [Sent(at(t), bytes.fromhex(data)) for t, data in zip(moments, payloads, strict=True)])
    assert found == IdStatistics(
        channel="can0",
        can_id=0x100,
        extended=False,
        frames=4,
        first=at(0),
        last=at(0.6),
        lengths=(2, 3),
        min_gap=ms(100),
        mean_gap=ms(200),
        max_gap=ms(300),
        period=None,
        changing=0xFF_00_81,
        changes=2,
    )


def test_the_period_is_the_typical_spacing(tmp_path: Path) -> None:
    moments = [number / 10 + (0.004 if number % 7 == 0 else 0) for number in range(400)]
    found = statistics(tmp_path, [Sent(at(t), b"") for t in moments])
    assert found.period == pytest.approx(ms(100), rel=0.01)
    assert (found.min_gap, found.max_gap) == (ms(96), ms(104))


def test_irregular_and_bursting_ids_have_no_period(tmp_path: Path) -> None:
    burst = [Sent(at(30 * press + repeat / 50), b"") for press in range(20) for repeat in range(4)]
    assert statistics(tmp_path, burst).period is None
    uneven = [Sent(at(number**1.5), b"") for number in range(60)]
    assert statistics(tmp_path, uneven).period is None


def test_a_changed_rhythm_is_learned(tmp_path: Path) -> None:
    moments = [number / 10 for number in range(300)] + [30 + number / 4 for number in range(300)]
    found = statistics(tmp_path, [Sent(at(t), b"") for t in moments])
    assert found.period == pytest.approx(ms(250), rel=0.01)


def test_bus_load_is_given_where_the_rate_is_known(tmp_path: Path) -> None:
    frames = [
        Sent(at(n / 100), bytes.fromhex("02010D5555555555"), 0x7DF, f"can{c}") for n in range(1001) for c in (0, 1)
    ]
    path = write(tmp_path / "a.log", frames)
    plan = ReadPlan(bit_rates={"can1": 500_000})
    ((channel, load),) = read(path, plan).report.bus_load
    assert channel == "can1"
    assert load == pytest.approx(100.1 * 111 / 500_000, rel=1e-3)
    ((channel, exact),) = scan(find_captures([str(path)]), bit_rates={"can0": 500_000}).bus_load
    assert exact == pytest.approx(100.1 * 115 / 500_000, rel=1e-3)


def test_bus_load_is_not_guessed_for_flexible_data_rate(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("(1.000000) can0 123##1112233\n(2.000000) can0 123##1112233\n")
    assert scan(find_captures([str(path)]), bit_rates={"can0": 500_000}).bus_load == ()


def test_skipped_lines_are_counted_by_reason_and_the_first_hundred_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("(1.000000) can0 100#11\n" + "can0 100#11\n" * 150 + "(2.000000) can0 100#1\n# end\n")
    report = scan(find_captures([str(path)]))
    assert dict(report.skipped_count)["no timestamp; record with candump -L"] == 150
    assert sum(count for _, count in report.skipped_count) == report.files[0].skipped == 151
    assert len(report.skipped) == 100
    assert (report.skipped[0].file, report.skipped[0].line) == ("a.log", 2)
    assert report.files[0].lines == 153


def test_no_sources_is_a_wrong_call() -> None:
    with pytest.raises(UsageError):
        read_changes((), ReadPlan())
