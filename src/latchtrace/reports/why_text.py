"""Why a rule did or did not fire, in words for the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from latchtrace.model.clock import Clock
from latchtrace.model.quantity import duration_text, time_text
from latchtrace.model.time import Interval, Truth
from latchtrace.reports.card import clean
from latchtrace.views import wording

if TYPE_CHECKING:
    from rich.console import Console

    from latchtrace.rules.judgement import Judgement
    from latchtrace.rules.why import Asked, Near, Why, Window

_HOLDS = {Truth.YES: "holds", Truth.NO: "does not hold", Truth.UNKNOWN: "open"}
_STYLES = {Truth.YES: "green", Truth.NO: "red", Truth.UNKNOWN: "yellow"}
_TOLD = ("source", "origin", "action", "state", "closure", "result", "side")


def print_why(why: Why, times: Clock, console: Console) -> None:
    """Print what the rule said of the occasion nearest to the time, and everything it asked."""
    console.print(clean(f"{why.rule} · {why.title} · pattern {why.pattern}"), style="bold", soft_wrap=True)
    occasion = why.occasion
    if why.judged is None or occasion is None:
        _print_not_exercised(why, times, console)
        return
    distance = _gap(occasion.at, why.at)
    many = "the only occasion" if why.occasions == 1 else f"the nearest of {why.occasions:,} occasions"
    where = f"{many} in this capture, {distance} the time asked about"
    told = _facts(occasion.what, occasion.facts, occasion.closures)
    console.print(clean(f"{wording.interval_text(occasion.at, times)}  {told}"), soft_wrap=True)
    console.print(f"  {clean(f'({where})')}", style="dim", soft_wrap=True)
    for line in _ruling(why.judged, why.asked):
        console.print(clean(line), style="bold", soft_wrap=True)
    if why.asked:
        console.print()
    for asked in why.asked:
        _print_asked(asked, times, console, 2)
    for parameter in why.parameters:
        stated = parameter.text or str(parameter.value)
        told = clean(f"{parameter.name} = {stated} ({parameter.origin})")
        console.print(f"  {told}", style="dim", soft_wrap=True)
    _print_unlike(why, times, console)


def _print_not_exercised(why: Why, times: Clock, console: Console) -> None:
    hindrance = why.hindrance
    if hindrance is not None:
        kind, reason, detail = hindrance
        because = wording.reason_text(reason) if reason is not None else "this car does not have it"
        said = "does not apply to this vehicle and network" if str(kind) == "not-applicable" else "cannot be exercised"
        console.print(clean(f"It {said}: {detail}: {because}."), style="bold", soft_wrap=True)
        return
    console.print("It was not exercised: this capture holds no occasion for it.", style="bold")
    console.print(f"  {clean(f'it observes {why.observes}')}", soft_wrap=True)
    _print_unlike(why, times, console)
    if why.unlike is None:
        console.print("  nothing of that kind happened at all")


def _print_unlike(why: Why, times: Clock, console: Console) -> None:
    unlike = why.unlike
    if unlike is None:
        return
    near = why.occasion is None or abs(unlike.delay.lo) < _away(why.occasion.at, why.at)
    if near:
        told = _facts(unlike.what, unlike.facts, (), unlike.differs)
        line = f"nearest that is no occasion: {told}, {wording.interval_text(unlike.at, times)}"
        console.print(f"  {clean(f'{line}; not as wanted: {_named(unlike.differs)}')}", soft_wrap=True)


def _ruling(judged: Judgement, asked: Sequence[Asked]) -> list[str]:
    measured = f" Measured: {duration_text(judged.measured)}." if judged.measured is not None else ""
    match judged.ruling.value:
        case "fail":
            return [f"It fired: what it is there to find was so.{measured}"]
        case "pass":
            return [f"It did not fire: the occasion was in order.{measured}"]
        case "undecided":
            return [f"It could not decide: {_doubts(judged.doubts)}.{measured}"]
    because = [one for one in asked if _skips(one)]
    if judged.note == "cancelled":
        return ["It was not exercised here: something cancelled it (cancelled-by below)."]
    if not because:
        return ["It was not exercised here: the next action came first."]
    return [f"It was not exercised here: {one.field} {_HOLDS[one.answer or Truth.NO]}: {one.text}" for one in because]


def _skips(asked: Asked) -> bool:
    if asked.field == "unless":
        return asked.answer is Truth.YES
    return asked.field.endswith("given") and asked.answer is Truth.NO


def _print_asked(asked: Asked, times: Clock, console: Console, indent: int) -> None:
    from rich.text import Text

    space = " " * indent
    answer = _HOLDS[asked.answer] if asked.answer is not None else "looked for"
    style = _STYLES[asked.answer] if asked.answer is not None else "cyan"
    field = f"{asked.field}: " if asked.field else ""
    line = Text(space)
    line.append(f"{answer:<14}", style=style)
    line.append(clean(f"{field}{asked.text}"))
    console.print(line, soft_wrap=True)
    for detail in _details(asked, times):
        console.print(f"{space}{'':14}{clean(detail)}", style="dim", soft_wrap=True)
    for part in asked.parts:
        _print_asked(part, times, console, indent + 2)


def _details(asked: Asked, times: Clock) -> list[str]:
    lines = []
    if asked.answer is Truth.UNKNOWN and not asked.parts:
        lines.append(f"open because {_doubts(asked.doubts)}")
    if asked.states:
        lines.append("; ".join(f"{name}: {' or '.join(values) or 'not stated'}" for name, values in asked.states))
    if asked.number is not None:
        lines.append(_number(asked))
    lines += [_near(one, asked.window, times) for one in (asked.near, asked.other) if one is not None]
    if asked.near is None and asked.other is None and asked.window is not None:
        lines.append(f"nothing of that kind in the whole capture; the window is {_window(asked.window)}")
    return lines


def _number(asked: Asked) -> str:
    lo, hi = asked.number or (0.0, 0.0)
    low, high = asked.limit or (None, None)
    if asked.unit == "ns":
        value = duration_text(Interval(int(lo), int(hi)))
        limits = [time_text(one) if one is not None else "not stated" for one in (low, high)]
        return f"{value}; the limits are {limits[0]} and {limits[1]}"
    value = f"{lo:g}" if lo == hi else f"{lo:g} to {hi:g}"
    edge = low if low is not None else high
    shown = f"{edge:g} {asked.unit}" if edge is not None else "not stated"
    return f"{value} {asked.unit}; the limit is {shown}"


def _near(near: Near, window: Window | None, times: Clock) -> str:
    delay = near.delay
    when = (
        f"{duration_text(delay)} after" if delay.lo >= 0 else f"{duration_text(Interval(-delay.hi, -delay.lo))} before"
    )
    if delay.lo < 0 < delay.hi:
        when = f"{time_text(-delay.lo)} before to {time_text(delay.hi)} after"
    if delay == Interval(0, 0):
        when = "at the same time"
    told = (
        f"nearest: {_facts(near.what, near.facts, (), near.differs)} {when} ({wording.interval_text(near.at, times)})"
    )
    if window is not None:
        told += f"; the window is {_window(window)}"
    if near.off:
        told += f", missed by {time_text(near.off)}"
    if near.differs:
        told += f"; not as wanted: {_named(near.differs)}"
    return told


def _window(window: Window) -> str:
    lo, hi = window
    if lo is None or hi is None:
        return "open, as the vehicle file does not state its limit"
    if hi == 0:
        return f"{time_text(-lo)} before" if lo else "the same time"
    return f"{time_text(hi)} after" if lo in (0, 1) else f"{time_text(lo)} to {time_text(hi)} after"


def _facts(
    what: str, facts: Mapping[str, str | tuple[str, ...]], closures: Sequence[str], more: Sequence[str] = ()
) -> str:
    names = [name for name in dict.fromkeys((*_TOLD, *more)) if facts.get(name) not in (None, "", "any")]
    shown = [f"{name} {_value(facts[name])}" for name in names if not (name == "closure" and closures)]
    shown += [", ".join(closures)] if closures else []
    return f"{what} ({'; '.join(shown)})" if shown else what


def _named(facts: Sequence[str]) -> str:
    return ", ".join(facts)


def _value(fact: str | tuple[str, ...]) -> str:
    return fact if isinstance(fact, str) else " or ".join(fact)


def _doubts(doubts: Sequence[tuple[object, str]]) -> str:
    told = [f"{wording.reason_text(str(reason))}{f' ({role})' if role else ''}" for reason, role in doubts]
    return "; ".join(dict.fromkeys(told)) or "what it needs is not known"


def _away(at: Interval, moment: int) -> int:
    return max(at.lo - moment, moment - at.hi, 0)


def _gap(at: Interval, moment: int) -> str:
    if at.hi < moment:
        return f"{time_text(moment - at.hi)} before"
    return f"{time_text(at.lo - moment)} after" if at.lo > moment else "at"
