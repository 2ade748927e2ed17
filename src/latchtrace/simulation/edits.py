"""Changes to a finished capture that know the car's layout, for tests that change one thing and know what follows."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from latchtrace.errors import UsageError
from latchtrace.model.time import MILLISECOND
from latchtrace.simulation import lines
from latchtrace.simulation.cars import Car, Carrier
from latchtrace.simulation.loop import Chance
from latchtrace.simulation.runner import Simulated
from latchtrace.simulation.truth import WINDOW, Claim, ToldEpisode

Ids = Mapping[tuple[str, str], str]
_REPEATS = 150 * MILLISECOND
_BEGINS = 1000 * MILLISECOND
_EXTENDED = 0x8000_0000


def without_request(simulated: Simulated, number: int, *, validation: bool = False) -> Simulated:
    """The same capture as if the request of episode `number` (from 0, in time order) had never been on the wire.

    Event frames are deleted; a press counter steps back for good, a held level falls. The action's report, where
    the car sends one, goes too, and with `validation` the key check. The truth says what must follow.
    """
    truth = copy.deepcopy(simulated.truth)
    episode = sorted(truth.episodes, key=lambda told: told.t)[number]
    car = simulated.car
    carrier = car.requests.get(episode.origin)
    if carrier is None:
        raise UsageError(f"episode {number} has origin {episode.origin}, which has no request; choose another")
    text = _without(simulated.lines, car, carrier, episode.t)
    if car.report and episode.command:
        text = _without(text, car, car.report, episode.command)
    if validation and car.validation:
        text = _without(text, car, car.validation, episode.t)
    changed = replace(simulated, lines=tuple(text), truth=truth)
    _tell(changed, episode)
    return changed


def _tell(simulated: Simulated, episode: ToldEpisode) -> None:
    """What the truth says of an episode whose request is gone."""
    truth, origin = simulated.truth, episode.origin
    happening = truth.happening("frames-removed", episode.t, episode.closures, source=origin)
    if episode.command is not None:
        certain, claims = _follows(simulated, episode, episode.command)
        (happening.must if certain else happening.allowed).extend(claims)
    for told in truth.happenings:
        for claim in [*told.must, *told.allowed]:
            if told.kind == "request-sent" and told.t == episode.t and claim.origin == origin:
                claim.origin = "none"
    truth.happenings = [
        told
        for told in truth.happenings
        if told.kind != "request-sent" or told.t != episode.t or told.must or told.allowed
    ]
    episode.origin, episode.healthy, episode.key = "none", False, None
    shown = [told.t for told in map(lines.parts, simulated.lines) if told]
    truth.edges(min(shown), max(shown))


def _follows(simulated: Simulated, episode: ToldEpisode, command: int) -> tuple[bool, list[Claim]]:
    """Whether an action without its request must be found, and as what it must or may be.

    Another request of the same action shortly before explains the command as well; where no command is visible,
    one latch that moves is no command.
    """
    claim = Claim("command-without-request", episode.closures, command, "none")
    others = (told for told in simulated.truth.episodes if told is not episode and told.action == episode.action)
    if any(command - WINDOW <= told.t <= command for told in others):
        return False, [claim]
    if not simulated.car.command_visible and len(episode.closures) == 1:
        return False, [claim, Claim("movement-without-command", episode.closures, command)]
    return True, [claim]


def _without(text: Sequence[str], car: Car, carrier: Carrier, since: int) -> list[str]:
    message = car.message(carrier.message)
    remove = {"counter": _step_back, "level": _fall, "event": _drop}[carrier.kind]
    return lines.rewrite(text, car.capture_names[message.channel], message.id_text, remove(car, carrier, since))


def _step_back(car: Car, carrier: Carrier, since: int) -> Callable[[lines.Parts], bytes | None]:
    message, (counter, *others) = car.message(carrier.message), carrier.names
    size = 1 << message.fields[counter].length
    before: dict[str, int] = {}
    steps: list[int] = []

    def change(told: lines.Parts) -> bytes | None:
        values = message.unpack(told.data)
        if not steps and (told.t < since or values[counter] == before.get(counter)):
            before.update(values)
            return told.data
        if not steps or steps[-1] != values[counter]:
            steps.append(values[counter])
            if len(steps) == 1 and message.on_change:
                return None
        if len(steps) == 1:
            values |= {name: before.get(name, 0) for name in others}
        values[counter] = (values[counter] - 1) % size
        return message.pack(values)

    return change


def _fall(car: Car, carrier: Carrier, since: int) -> Callable[[lines.Parts], bytes | None]:
    message, name = car.message(carrier.message), carrier.names[0]
    state = {"seen": False, "over": False}

    def change(told: lines.Parts) -> bytes | None:
        values = message.unpack(told.data)
        held = values[name] != 0
        begins = state["seen"] or told.t <= since + _BEGINS
        if told.t < since or state["over"] or not begins:
            return told.data
        state["over"] = state["seen"] and not held
        state["seen"] = state["seen"] or held
        return message.pack({**values, name: 0})

    return change


def _drop(car: Car, carrier: Carrier, since: int) -> Callable[[lines.Parts], bytes | None]:
    message, name = car.message(carrier.message), carrier.names[0]

    def change(told: lines.Parts) -> bytes | None:
        gone = since <= told.t <= since + _REPEATS and name in message.unpack(told.data)
        return None if gone else told.data

    return change


def flip(text: Sequence[str], car: Car, signal: str) -> list[str]:
    """The capture as if this one-bit contact (`Message.Signal`) were wired the other way round."""
    name, _, contact = signal.partition(".")
    message = car.message(name)

    def change(told: lines.Parts) -> bytes:
        values = message.unpack(told.data)
        return message.pack({**values, contact: 1 - values[contact]})

    return lines.rewrite(text, car.capture_names[message.channel], message.id_text, change)


def permutation(car: Car, seed: int) -> dict[tuple[str, str], str]:
    """Other ids for all messages of a car: those of each channel change places, at random, by (channel, id text)."""
    chance = Chance(seed)
    result: dict[tuple[str, str], str] = {}
    for channel, name in car.capture_names.items():
        ids = sorted(message.id_text for message in car.messages if message.channel == channel)
        shuffled = sorted(ids, key=lambda _: chance.share("permute"))
        result |= {(name, old): new for old, new in zip(ids, shuffled, strict=True)}
    return result


def renumber(dbc: str, ids: Mapping[str, str]) -> str:
    """A DBC's text with other message ids, by id text; messages that are not listed stay."""
    numbers = {str(_number(old)): str(_number(new)) for old, new in ids.items()}
    place = re.compile(r'^((?:BO_|VAL_|CM_ BO_|CM_ SG_|BA_ "\w+" (?:BO_|SG_)) )(\d+)', re.MULTILINE)
    return place.sub(lambda match: match[1] + numbers.get(match[2], match[2]), dbc)


def _number(id_text: str) -> int:
    return int(id_text, 16) | (_EXTENDED if len(id_text) == 8 else 0)
