from __future__ import annotations

from dataclasses import replace

from latchtrace.model.events import Coverage
from latchtrace.model.network import SignalRef
from latchtrace.model.redaction import MASK, redacted, redacted_test
from latchtrace.model.results import AnalysisResult, Seen
from latchtrace.model.vehicle import Reading, Role, RoleStatus, Shows
from support.fake_results import SECRET_CODE, SECRET_COUNTER, SECRET_PAYLOAD, fake_result, fake_test


def _details(result: AnalysisResult) -> list[tuple[tuple[str, int | str], ...]]:
    return [event.details for timeline in result.timelines for event in timeline.events if event.details]


def test_payloads_of_messages_that_carry_a_code_are_masked_byte_by_byte() -> None:
    press = redacted(fake_result()).evidence[Seen(1, "KeyReceiver.Button", "unlock")]
    assert press.data == MASK * (len(SECRET_PAYLOAD) // 2)
    assert (press.file, press.line, press.value) == ("night.log.gz", 9001, "unlock")


def test_frames_of_the_same_id_are_masked_even_where_no_signal_is_named() -> None:
    result = redacted(fake_result())
    assert result.evidence[Seen(7)].data.startswith(MASK)
    assert SECRET_CODE not in result.findings[0].proof[2].data


def test_other_payloads_stay() -> None:
    result = redacted(fake_result())
    assert result.evidence[Seen(2, "BodyCommand.Actuators", "unlock")].data == "0200"


def test_codes_become_aliases_and_counters_become_steps() -> None:
    first, second = _details(redacted(fake_result()))
    assert first == (("slot", 2), ("code", "code 1"), ("counter", "first"))
    assert second == (("slot", 2), ("code", "code 1"), ("counter", "first +3"))


def test_a_counter_that_wraps_is_a_small_step() -> None:
    from latchtrace.model.vehicle import Parameter

    result = fake_result()
    bits = Parameter("rolling.bits", 16, "count", "vehicle file")
    vehicle = replace(result.vehicle, parameters={**result.vehicle.parameters, "rolling.bits": bits})
    press = result.timelines[0].events[0]
    last, wrapped = (replace(press, details=(("slot", 1), ("counter", n))) for n in (65_535, 1))
    timeline = replace(result.timelines[0], events=(last, wrapped))
    _, second = _details(redacted(replace(result, vehicle=vehicle, timelines=(timeline,))))
    assert second == (("slot", 1), ("counter", "first +2"))


def test_an_id_known_only_by_the_coverage_of_its_role_is_masked() -> None:
    result = fake_result()
    cover = Coverage("request.remote-button", RoleStatus.MAPPED, channel="body", can_id=0x31A)
    timeline = replace(result.timelines[0], coverage={cover.role: cover})
    bare = replace(result, timelines=(timeline,), evidence={Seen(7): result.evidence[Seen(7)]}, findings=())
    assert redacted(bare).evidence[Seen(7)].data.startswith(MASK)


def test_the_answer_to_a_key_is_masked_too_where_only_its_press_tells_the_code() -> None:
    result = fake_result()
    reading = Reading(SignalRef("KeyCheck", "Answer"), Shows.EVENT)
    answer = Role("validation", "validation", "", RoleStatus.MAPPED, (reading,))
    vehicle = replace(result.vehicle, roles={**result.vehicle.roles, "validation": answer})
    item = replace(result.evidence[Seen(7)], can_id=0x31B, signal="KeyCheck.Answer", value="refused")
    shown = redacted(replace(result, vehicle=vehicle, evidence={Seen(7): item}, findings=())).evidence[Seen(7)]
    assert (shown.data[:2], shown.value) == (MASK, "refused")


def test_a_named_code_signal_loses_its_value_too() -> None:
    result = fake_result()
    item = replace(result.evidence[Seen(7)], signal="KeyReceiver.Code", value=str(int(SECRET_CODE, 16)))
    assert redacted(replace(result, evidence={Seen(7): item})).evidence[Seen(7)].value == MASK


def test_nothing_changes_where_the_vehicle_names_no_code() -> None:
    result = fake_result()
    plain = replace(result, vehicle=replace(result.vehicle, roles={}))
    assert redacted(plain) is plain


def test_a_function_test_is_redacted_by_the_analysis_it_comes_from() -> None:
    trial = replace(fake_test().trials[0], proof=(fake_result().evidence[Seen(7)],))
    shown = redacted_test(replace(fake_test(), trials=(trial,)), fake_result())
    assert shown.trials[0].proof[0].data.startswith(MASK)


def test_no_secret_is_left_anywhere_in_a_redacted_result() -> None:
    text = repr(redacted(fake_result()))
    assert SECRET_CODE not in text
    assert SECRET_PAYLOAD not in text
    assert str(int(SECRET_CODE, 16)) not in text
    assert str(SECRET_COUNTER) not in text
