"""Cases written by hand: a small vehicle, a few frames, and exactly what must be found in them.

A case file (YAML) is a list under `cases:`. The capture of a case is candump text with shorter lines,
`seconds id#data`; everything after `;` is a comment, a DROPCOUNT line stands as it is, and a word before the id names
another channel than `can0`. `begins` names first frames of networks/starts.yaml. `overrides` replaces whole entries
of the vehicle file, `section: {entry: value}`; an entry that is `absent` is removed, as is a whole section;
a section that is plain text is written as it is.

`verdicts` are written `verdict [reason]`, alternatives joined by `|` where the definition leaves a choice. `findings`
are all findings, one to one (`seen` is when the frame came that shows it, `says` a part of its message); `may` are
findings that are allowed and need not be there. `keys` are all presses and answers of the decoder that tell of a key,
in order: `{what: request|accepted|refused, slot: 2, counter: 257}`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

CASES = Path(__file__).parent.parent / "cases"
NETWORKS = CASES / "networks"
_LINE = re.compile(r"(?P<seconds>\d+(?:\.\d{1,9})?)\s+(?:(?P<channel>[a-z]+\d+)\s+)?(?P<frame>[0-9A-F]+#\S*)")
_KEYS = {
    "name", "shows", "vehicle", "begins", "capture", "overrides", "verdicts", "findings", "may", "requests", "episodes",
    "keys",
}  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One case: what it is, what was recorded, and what must be said of it."""

    file: str
    name: str
    shows: str
    vehicle: str
    capture: str
    overrides: Mapping[str, Any] = field(default_factory=dict)
    verdicts: Mapping[str, str] = field(default_factory=dict)
    findings: Sequence[Mapping[str, Any]] = ()
    may: Sequence[Mapping[str, Any]] = ()
    requests: int | None = None
    episodes: Sequence[Mapping[str, str]] | None = None
    keys: Sequence[Mapping[str, str]] | None = None

    @property
    def id(self) -> str:
        """How a test run names it."""
        return f"{self.file}: {self.name}"


def load_cases(folder: Path = CASES) -> list[Case]:
    """Every case of every case file, in order."""
    starts = _yaml(NETWORKS / "starts.yaml")
    return [_case(path.stem, entry, starts) for path in sorted(folder.glob("*.yaml")) for entry in _yaml(path)["cases"]]


def _yaml(path: Path) -> Any:
    return yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)


def _case(file: str, entry: Mapping[str, Any], starts: Mapping[str, str]) -> Case:
    unknown = set(entry) - _KEYS
    assert not unknown, f"{file}: {entry.get('name')}: no such fields: {unknown}"
    begins = entry.get("begins", "")
    text = (starts[begins] if begins else "") + entry["capture"]
    return Case(
        file=file,
        name=entry["name"],
        shows=entry["shows"],
        vehicle=entry.get("vehicle", begins.split()[0] if begins else "quay"),
        capture=candump(text),
        overrides=entry.get("overrides", {}),
        verdicts=entry.get("verdicts", {}),
        findings=entry.get("findings") or (),
        may=entry.get("may") or (),
        requests=int(entry["requests"]) if "requests" in entry else None,
        episodes=entry.get("episodes"),
        keys=entry.get("keys"),
    )


def candump(text: str) -> str:
    """The short lines of a case as candump writes them."""
    lines = []
    for number, written in enumerate(text.splitlines(), 1):
        line = written.split(";")[0].strip()
        if not line:
            continue
        if line.startswith("DROPCOUNT"):
            lines.append(line)
            continue
        match = _LINE.fullmatch(line)
        assert match, f"line {number} of a case is no frame: {written}"
        seconds, _, fraction = match["seconds"].partition(".")
        digits = 9 if len(fraction) > 6 else 6
        stamp = f"{int(seconds):010}.{fraction.ljust(digits, '0')}"
        lines.append(f"({stamp}) {match['channel'] or 'can0'} {match['frame']}")
    return "\n".join(lines) + "\n"


def write_case(case: Case, folder: Path) -> tuple[Path, Path]:
    """The capture and the vehicle file of a case, with its DBC, written into a folder."""
    data = _yaml(NETWORKS / f"{case.vehicle}.yaml")
    for name in data["dbc"]:
        (folder / name).write_bytes((NETWORKS / name).read_bytes())
    for section, entries in case.overrides.items():
        if entries == "absent":
            del data[section]
            continue
        if isinstance(entries, str):
            data[section] = entries
            continue
        known = data.setdefault(section, {})
        for entry, value in entries.items():
            if value == "absent":
                known.pop(entry)
            else:
                known[entry] = value
    vehicle = folder / "vehicle.yaml"
    vehicle.write_text(yaml.safe_dump(data, sort_keys=False, allow_unicode=True), encoding="utf-8")
    capture = folder / "capture.log"
    capture.write_text(case.capture, encoding="utf-8")
    return capture, vehicle
