from __future__ import annotations

import re
from pathlib import Path

import pytest

from latchtrace.errors import UserFileError
from latchtrace.model.network import Database, MessageSpec
from latchtrace.model.time import MILLISECOND
from latchtrace.model.userfile import parse_user_text
from latchtrace.model.vehicle import REQUEST_SOURCES, RoleStatus, Vehicle
from latchtrace.vehicle.candidates import candidates, closures_in, proposed_values, tokens
from latchtrace.vehicle.file import read_vehicle
from latchtrace.vehicle.kinds import KINDS
from latchtrace.vehicle.template import new_vehicle_text
from support.made_vehicle import database, message, signal

SCHLOSS = {0: "entriegelt", 1: "verriegelt", 2: "gesichert", 3: "ungültig"}
STATES = {0: "Unlocked", 1: "Locked", 3: "SNA"}
WELL = database(
    message("BCM_Lck", 0x20, signal("DrLckSts_FL", 0, 2, choices=STATES), signal("DrLckSts_FR", 2, 2, choices=STATES),
            signal("LckCmd", 4, 3, choices={0: "No action", 1: "Lock", 2: "Unlock"}), period=40 * MILLISECOND),
    message("BCM_Dr", 0x21, signal("DrAjr_FL", 0, 1, choices={0: "Closed", 1: "Ajar"}), signal("DrAjr_FR", 1, 1),
            signal("HoodAjr", 2, 1), period=40 * MILLISECOND),
    message("RKE_Rx", 0x22, signal("RkeButton", 0, 3, choices={0: "None", 1: "Lock", 2: "Unlock"}),
            signal("KeyCount", 8, 16)),
    message("VehMotion", 0x23, signal("VehSpd", 0, 16, "km/h"), signal("WhlSpd_FL", 16, 16, "km/h"),
            signal("EngSpd", 32, 16, "rpm")),
    name="well.dbc",
)  # fmt: skip
GERMAN = database(
    message("Tuersteuergeraet", 0x30, signal("TuerkontaktVornLinks", 0, 1, choices={0: "geschlossen", 1: "offen"}),
            signal("SchlossstatusVornLinks", 1, 2, choices=SCHLOSS),
            signal("ZV_Taster", 4, 2, choices={0: "nicht betätigt", 1: "verriegeln", 2: "entriegeln"})),
    message("Kombi", 0x31, signal("Geschwindigkeit", 0, 16, "km/h"), signal("Motordrehzahl", 16, 16, "1/min"),
            signal("Klemme15", 32, 1, choices={0: "aus", 1: "ein"})),
    name="haus.dbc",
)  # fmt: skip


def best(role: str, made: Database, closure: str = "") -> str:
    found = candidates(role, [made], closure)
    return found[0].name if found else ""


def loaded(text: str, *known: Database) -> Vehicle:
    by_name = {one.name: one for one in known}
    return read_vehicle(parse_user_text(text.encode(), "new.yaml"), Path("new.yaml"), lambda path: by_name[path.name])


@pytest.mark.parametrize(
    "made", [[WELL], [GERMAN], [WELL, GERMAN], [database(name="empty.dbc")]], ids=["english", "german", "both", "empty"]
)
def test_a_new_file_loads_as_it_is_with_nothing_mapped(made: list[Database]) -> None:
    car = loaded(new_vehicle_text(made, [one.name for one in made]), *made)
    assert {role.status for role in car.roles.values()} == {RoleStatus.NOT_VISIBLE}
    assert {role.note for role in car.roles.values()} == {"not mapped yet"}
    assert {f"request.{source}" for source in REQUEST_SOURCES} <= set(car.roles)
    assert {role.kind for role in car.roles.values()} == set(KINDS)


def test_the_right_signals_come_first() -> None:
    assert best("latch", WELL, "front-left") == "BCM_Lck.DrLckSts_FL"
    assert best("ajar", WELL, "front-right") == "BCM_Dr.DrAjr_FR"
    assert best("ajar", WELL, "bonnet") == "BCM_Dr.HoodAjr"
    assert best("command", WELL) == "BCM_Lck.LckCmd"
    assert best("request.remote-button", WELL) == "RKE_Rx.RkeButton"
    assert best("speed", WELL) == "VehMotion.VehSpd"


def test_german_names_are_understood() -> None:
    assert best("latch", GERMAN, "front-left") == "Tuersteuergeraet.SchlossstatusVornLinks"
    assert best("ajar", GERMAN, "front-left") == "Tuersteuergeraet.TuerkontaktVornLinks"
    assert best("request.interior-switch", GERMAN) == "Tuersteuergeraet.ZV_Taster"
    assert best("speed", GERMAN) == "Kombi.Geschwindigkeit"
    assert best("ignition", GERMAN) == "Kombi.Klemme15"


def test_other_speeds_are_no_vehicle_speed() -> None:
    assert "VehMotion.EngSpd" not in [one.name for one in candidates("speed", [WELL])]
    names = [one.name for one in candidates("speed", [WELL])]
    assert names.index("VehMotion.VehSpd") == 0


def test_value_tables_become_proposed_maps() -> None:
    def proposal(made: Database, message_name: str, signal_name: str, kind: str) -> dict[int, str]:
        (spec,) = (message for message in made.messages if message.name == message_name)
        one = spec.signal(signal_name)
        assert one is not None
        return proposed_values(KINDS[kind], one)

    assert proposal(WELL, "BCM_Lck", "DrLckSts_FL", "latch") == {0: "unlocked", 1: "locked", 3: "unknown"}
    assert proposal(WELL, "BCM_Lck", "LckCmd", "command") == {0: "none", 1: "lock", 2: "unlock"}
    assert proposal(WELL, "BCM_Dr", "DrAjr_FL", "ajar") == {0: "shut", 1: "open"}
    assert proposal(GERMAN, "Tuersteuergeraet", "SchlossstatusVornLinks", "latch") == {
        0: "unlocked", 1: "locked", 2: "deadlocked", 3: "unknown",
    }  # fmt: skip
    assert proposal(GERMAN, "Tuersteuergeraet", "ZV_Taster", "request") == {0: "none", 1: "lock", 2: "unlock"}


def test_a_value_of_one_door_is_no_value_of_the_whole_car() -> None:
    spec = signal("State", 0, 3, choices={0: "all unlocked", 1: "all locked", 2: "driver's door only unlocked"})
    assert proposed_values(KINDS["latch"], spec, whole=True) == {0: "unlocked", 1: "locked"}


def test_closures_are_those_the_names_speak_of() -> None:
    text = new_vehicle_text([WELL], ["well.dbc"])
    assert [one.name for one in loaded(text, WELL).closures] == ["front-left", "front-right", "bonnet"]
    assert "named by BCM_Lck.DrLckSts_FL" in text


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("DrLckSts_RL", ("rear-left",)),
        ("TuerHintenRechts", ("rear-right",)),
        ("TrnkAjr", ("tailgate",)),
        ("CabinLight", ()),
    ],
)
def test_closures_are_read_from_names(name: str, expected: tuple[str, ...]) -> None:
    assert closures_in(name) == expected


def test_names_fall_into_words() -> None:
    assert tokens("DrLckSts_FL") == ("dr", "lck", "sts", "fl")
    assert tokens("TürKontakt2") == ("tuer", "kontakt", "2")
    assert tokens("BCMDoor") == ("bcm", "door")


def test_candidates_stand_as_comments_with_score_and_reasons() -> None:
    lines = new_vehicle_text([WELL], ["well.dbc"]).splitlines()
    line = next(line for line in lines if "RkeButton" in line and "candidate" in line)
    assert re.match(r"  # candidate: \{signal: RKE_Rx\.RkeButton, values: \{0: none, 1: lock, 2: unlock\}\}", line)
    assert "score" in line
    assert "name has 'rke" in line
    mapped = [line for line in lines if "signal:" in line and not line.lstrip().startswith("#")]
    assert mapped == []


def test_a_candidate_line_can_be_put_in_place_of_the_role() -> None:
    text = new_vehicle_text([WELL], ["well.dbc"])
    mapped = "{signal: BCM_Lck.DrLckSts_FL, values: {0: unlocked, 1: locked, 3: unknown}}"
    assert f"# candidate: {mapped}" in text
    text = text.replace("latch.front-left: {not-visible: not mapped yet}", f"latch.front-left: {mapped}")
    with pytest.raises(UserFileError, match="does not say how message BCM_Lck is sent"):
        loaded(text, WELL)
    text = text.replace("  # BCM_Lck: {send", "  BCM_Lck: {send")
    assert loaded(text, WELL).messages["BCM_Lck"].period == 40 * MILLISECOND


def test_texts_of_a_dbc_cannot_break_out_of_their_comment() -> None:
    nasty = "evil\nroles: {}\r\n\x85\u2028closures: \x00\x1b[31m"
    made = database(
        MessageSpec(
            "Bad",
            1,
            False,
            8,
            False,
            (signal("DoorLatch", 0, 2, nasty, choices={0: nasty, 1: "Locked"}, comment=nasty),),
        ),
        MessageSpec(
            "Bad2", 2, False, 8, False, (signal("DoorLatch", 0, 2, choices={0: nasty, 1: "Locked"}, comment=nasty),)
        ),
        name=nasty,
    )
    text = new_vehicle_text([made], ['odd "name"\n\'.dbc'])
    assert "Bad2.DoorLatch" in text
    assert all(letter.isprintable() or letter == "\n" for letter in text)
    parsed = parse_user_text(text.encode(), "new.yaml").data
    assert parsed["dbc"] == ['odd "name"\n\'.dbc']
    assert len(parsed["roles"]) > 15


def test_several_dbcs_are_channels_with_names_of_their_own() -> None:
    twin = database(name="WELL.dbc")
    car = loaded(new_vehicle_text([WELL, twin], ["well.dbc", "WELL.dbc"]), WELL, twin)
    assert [(one.name, one.databases) for one in car.channels] == [("well", ("well.dbc",)), ("well-2", ("WELL.dbc",))]
