"""The bundled captures: made from their scenarios, and listed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from latchtrace.simulation.output import compress, expand, write_all
from latchtrace.simulation.runner import Simulated, document_bytes, simulate, truth_document

ENDING = ".scenario.yaml"

FUNCTIONS = {
    "parked-night": ["chain", "auto-relock"],
    "relock-test": ["auto-relock"],
    "speed-drive": ["speed-lock"],
    "ordinary-day": ["chain"],
    "second-network-day": ["chain"],
}
"""The captures of the demo in the order they are shown, and the functions each is about."""


def make_demo(folder: Path) -> Iterator[str]:
    """Simulate every scenario of a folder into it and write its index; one line for each comes back."""
    names = [path.name.removesuffix(ENDING) for path in sorted(folder.glob(f"*{ENDING}"))]
    names.sort(key=lambda name: (list(FUNCTIONS).index(name) if name in FUNCTIONS else len(FUNCTIONS), name))
    entries = []
    for name in names:
        simulated = simulate(folder / f"{name}{ENDING}")
        entries.append(_entry(name, simulated))
        write_all(demo_files(folder, name, simulated))
        yield f"{name}: {len(simulated.lines):,} lines"
    write_all({folder / "index.json": document_bytes({"captures": entries})})


def demo_files(folder: Path, name: str, simulated: Simulated) -> dict[Path, bytes]:
    """The files of one demo capture; the packed lines of before where they hold the same lines."""
    capture = folder / f"{name}.log.zst"
    packed = compress(simulated.lines, capture.name)
    if capture.exists():
        before = capture.read_bytes()
        packed = before if expand(before) == expand(packed) else packed
    truth = document_bytes(truth_document(simulated, capture.name))
    return {capture: packed, folder / f"{name}.truth.json": truth}


def _entry(name: str, simulated: Simulated) -> dict[str, object]:
    return {
        "name": name,
        "title": simulated.title,
        "capture": f"{name}.log.zst",
        "vehicle": f"../dbc_demo/{simulated.car.vehicle_file}",
        "truth": f"{name}.truth.json",
        "scenario": f"{name}{ENDING}",
        "functions": FUNCTIONS.get(name, []),
    }
