"""The vehicle's messages and signals as its DBCs define them, found by name, with mistakes placed and mended."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from latchtrace.errors import LatchtraceError
from latchtrace.model.network import Database, MessageSpec, SignalRef, SignalSpec
from latchtrace.model.plan import id_text
from latchtrace.model.vehicle import Channel, MessageUse, SendType
from latchtrace.vehicle.form import Form, Path, short
from latchtrace.vehicle.words import did_you_mean, listed

LoadDatabase = Callable[[FilePath], Database]


@dataclass(frozen=True, slots=True)
class Found:
    """A signal the file names, with what its DBC says of it and how its message is sent (None: mistaken)."""

    ref: SignalRef
    message: MessageSpec
    spec: SignalSpec
    use: MessageUse | None


class Bus:
    """All messages of all channels. `complete` is False when a DBC could not be read."""

    def __init__(self, form: Form, channels: tuple[Channel, ...], declared: bool) -> None:
        self.form = form
        self.channels = channels
        self.declared = declared
        self.complete = any(channel.databases for channel in channels)
        self.messages: dict[str, dict[str, MessageSpec]] = {}
        self.uses: dict[str, MessageUse] = {}
        self._without_use: set[str] = set()
        self._mistaken: set[str] = set()
        self._read: dict[str, tuple[MessageSpec, Path]] = {}

    def load(self, folder: FilePath, load_database: LoadDatabase) -> None:
        """Read every DBC of every channel; one that cannot be read is a mistake at the line that names it."""
        for channel in self.channels:
            for i, name in enumerate(channel.databases):
                path = self._database_path(channel, i)
                try:
                    database = load_database(folder / name)
                except (LatchtraceError, OSError, ValueError) as error:
                    self.complete = False
                    known = isinstance(error, LatchtraceError)  # says by itself what is wrong and how to mend it
                    what = short_line(error) if known else f"cannot be read: {short_line(error)}"
                    self.form.problem(path, what, "" if known else "check the path and the DBC")
                    continue
                self._add(channel, database, path)

    def _database_path(self, channel: Channel, i: int) -> Path:
        base: Path = ("channels", channel.name, "dbc") if self.declared else ("dbc",)
        return (*base, i) if (*base, i) in self.form.file.positions else base

    def _add(self, channel: Channel, database: Database, path: Path) -> None:
        for message in database.messages:
            places = self.messages.setdefault(message.name, {})
            if places.setdefault(channel.name, message) != message:
                self.form.problem(
                    path,
                    f"defines message {message.name} otherwise than another DBC of this channel",
                    "keep one of the two, or declare channels",
                )

    def read_uses(self, entries: Mapping[str, dict[str, Any]]) -> None:
        """Check how messages are sent against the DBCs."""
        for name, fields in entries.items():
            path: Path = ("messages", name)
            spec, channel = self._place(name, fields, path)
            send = fields.get("send")
            if spec is None or send is None:
                self._mistaken.add(name)
                continue
            self._check_fields(path, spec, fields, SendType(send))
            cyclic = SendType(send).cyclic
            self.uses[name] = MessageUse(
                message=name,
                channel=channel,
                send=SendType(send),
                period=(fields.get("period") or spec.period) if cyclic else fields.get("period"),
                latency=fields.get("latency", 0),
                repeats=fields.get("repeats", 1),
                repeat_within=fields.get("repeat_within", 0),
                kind_pages=fields.get("kind_pages", False),
                counter=fields.get("counter"),
                counter_modulus=self._modulus(path, spec, fields),
            )

    def _place(self, name: str, fields: dict[str, Any], path: Path) -> tuple[MessageSpec | None, str | None]:
        """The message's definition and channel (None where the file declares no channels)."""
        places = self.messages.get(name, {})
        channel = fields.get("channel")
        if not places:
            if self.complete:
                self.form.problem(path, "is in no DBC of this file", did_you_mean(name, self.messages))
            return None, None
        if channel is not None and not self.declared:
            self.form.problem((*path, "channel"), "this file declares no channels", "remove it, or declare channels")
            return None, None
        if channel is not None and channel not in places:
            known = did_you_mean(channel, places)
            self.form.problem((*path, "channel"), f"'{short(channel)}' is no channel that has this message", known)
            return None, None
        if channel is None and len(places) > 1:
            names = listed(tuple(places))
            self.form.problem(path, f"is defined on channels {names}", "add the field channel with one of them")
            return None, None
        channel = channel if channel is not None else next(iter(places))
        return places[channel], channel if self.declared else None

    def _check_fields(self, path: Path, spec: MessageSpec, fields: dict[str, Any], send: SendType) -> None:
        problem = self.form.problem
        if send.cyclic and "period" not in fields and spec.period is None and self._absent(path, "period"):
            problem(path, f"is {send} and has no period", "add period: such as 100 ms (the DBC states no cycle time)")
        if not send.cyclic and "period" in fields:
            problem((*path, "period"), f"is stated though the message is sent {_sent(send)}", "remove it, or mend send")
        if send.cyclic and fields.get("repeats", 1) > 1:
            problem((*path, "repeats"), "only event and on-change frames are repeats of one event", "remove it")
        if fields.get("repeats", 1) > 1 and self._absent(path, "repeat_within"):
            problem(path, "has repeats but no repeat_within", "add repeat_within: such as 60 ms")
        if fields.get("kind_pages") and not any(signal.is_multiplexer for signal in spec.signals):
            problem((*path, "kind_pages"), "the message has no multiplexer in the DBC", "remove it")
        counter = fields.get("counter")
        if counter is not None and spec.signal(counter) is None:
            names = [signal.name for signal in spec.signals]
            problem((*path, "counter"), f"'{short(counter)}' is no signal of {spec.name}", did_you_mean(counter, names))

    def _absent(self, path: Path, name: str) -> bool:
        return (*path, name) not in self.form.file.keys

    def _modulus(self, path: Path, spec: MessageSpec, fields: dict[str, Any]) -> int | None:
        counter = spec.signal(fields["counter"]) if "counter" in fields else None
        stated: int | None = fields.get("counter_modulus")
        if counter is None:
            if stated is not None and self._absent(path, "counter"):
                self.form.problem((*path, "counter_modulus"), "stands without counter", "add counter, or remove it")
            return None
        if stated is not None and stated > 2 ** len(counter.bits):
            what = f"{stated} is more than the {len(counter.bits)} bits of {counter.name} can count"
            self.form.problem((*path, "counter_modulus"), what, f"write at most {2 ** len(counter.bits)}")
        return stated or 2 ** len(counter.bits)

    def signal(self, path: Path, text: str, of: str | None = None) -> Found | None:
        """The signal named `Message.Signal`, which must be of message `of` where one is given."""
        message, _, name = text.partition(".")
        if of is not None and message != of:
            mend = f"only signals of {of} come in the same frame"
            self.form.problem(path, f"'{text}' is of another message than the reading's signal", mend)
            return None
        places = self.messages.get(message, {})
        if not places:
            if self.complete:
                self.form.problem(path, f"message {message} is in no DBC of this file", self._like(message, name))
            return None
        use = self.uses.get(message)
        if use is None and message not in self._mistaken and message not in self._without_use:
            self._without_use.add(message)
            mend = f"add it under messages, such as {message}: {{send: cyclic, period: 100 ms}}"
            self.form.problem(path, f"the file does not say how message {message} is sent", mend)
        spec = places.get(use.channel or "") if use else None
        spec = spec or next(iter(places.values()))
        signal = spec.signal(name)
        if signal is None:
            known = [one.name for one in spec.signals]
            self.form.problem(path, f"message {message} has no signal {name}", did_you_mean(name, known))
            return None
        self._read.setdefault(message, (spec, path))
        return Found(SignalRef(message, name), spec, signal, use)

    def check_ids(self) -> None:
        """Refuse roles that read two messages of one id: nothing tells which of the two a frame is."""
        first: dict[tuple[str | None, int, bool], str] = {}
        for name, (spec, path) in self._read.items():
            channel = self.uses[name].channel if name in self.uses else None
            other = first.setdefault((channel, spec.can_id, spec.extended), name)
            if other != name:
                number = id_text(spec.can_id, spec.extended)
                what = f"message {name} has the id {number} of message {other}, which another reading uses"
                self.form.problem(path, what, "use the signals of one of the two (a frame cannot be both)")

    def _like(self, message: str, signal: str) -> str:
        mend = did_you_mean(message, self.messages)
        if mend.startswith("did"):
            return mend
        holders = sorted(
            name for name, places in self.messages.items() if any(s.signal(signal) for s in places.values())
        )[:3]
        return f"signal {signal} is in {listed(holders, 'and')}" if holders else mend


def short_line(error: Exception) -> str:
    """An error's text on one line."""
    text = " ".join(str(error).split())
    return text if len(text) <= 200 else text[:197] + "…"


def _sent(send: SendType) -> str:
    return "at events" if send == SendType.EVENT else "on change"
