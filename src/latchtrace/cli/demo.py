"""`latchtrace demo`: the main job on the captures that come with latchtrace, computed afresh."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from latchtrace.cli.inputs import named
from latchtrace.cli.parser import Commands, add_command
from latchtrace.cli.terminal import output, printing
from latchtrace.cli.verify import FUNCTIONS
from latchtrace.errors import ExitStatus, OutputError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

_EXAMPLES = """\
  latchtrace demo
  latchtrace demo --out /tmp/demo
"""


@dataclass(frozen=True, slots=True)
class DemoCapture:
    """One capture that comes with latchtrace, its vehicle file, and the function it is a test of ("" if none)."""

    name: str
    title: str
    capture: Path
    vehicle: Path
    function: str


def add_to(commands: Commands) -> None:
    """Add the command."""
    does = "Show what latchtrace does, on captures that come with it; writes their analyses as JSON and HTML."
    parser = add_command(commands, "demo", does, _EXAMPLES, run)
    parser.add_argument(
        "--out", metavar="DIR", type=named, default="latchtrace_demo", help="where to (default: ./latchtrace_demo)"
    )


def demo_folder() -> Path:
    """Where the demo captures lie: inside an installed package, or at the top of the source tree."""
    package = Path(str(files("latchtrace")))
    for folder in (package / "demo" / "captures_demo", package.parents[1] / "captures_demo"):
        if (folder / "index.json").is_file():
            return folder
    raise UsageError("the demo captures are missing from this installation; install latchtrace again")


def demo_captures() -> Iterator[DemoCapture]:
    """Every capture of the demo, in the order of its index."""
    folder = demo_folder()
    for entry in json.loads((folder / "index.json").read_text("utf-8"))["captures"]:
        functions = entry.get("functions", [])
        yield DemoCapture(
            name=entry["name"],
            title=entry.get("title", entry["name"]),
            capture=(folder / entry["capture"]).resolve(),
            vehicle=(folder / entry["vehicle"]).resolve(),
            function=functions[0] if len(functions) == 1 and functions[0] in FUNCTIONS else "",
        )


def run(options: argparse.Namespace) -> ExitStatus:
    """Analyse every demo capture, write the analyses, say what was found in each."""
    from latchtrace import api
    from latchtrace.reports.brief import print_brief
    from latchtrace.reports.files import write_all
    from latchtrace.reports.html import html_report
    from latchtrace.reports.json import json_report
    from latchtrace.reports.options import ReportOptions

    folder = Path(options.out)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file; name a folder")
    console = output()
    written: dict[Path, bytes] = {}
    for item in demo_captures():
        capture, vehicle = str(item.capture), str(item.vehicle)
        result = api.analyse([capture], vehicle).result
        test = api.verify(item.function, [capture], vehicle) if item.function else None
        shown = ReportOptions(captures=(capture,), vehicle=vehicle)
        written[folder / f"{item.name}.json"] = json_report(result, shown)
        written[folder / f"{item.name}.html"] = html_report(result, shown)
        with printing():
            print_brief(f"{item.name}: {item.title}", result, test, console)
    _make(folder)
    write_all(written)
    with printing():
        _next(folder, console)
    return ExitStatus.DONE


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made ({error.strerror or error}); name another with --out") from None


def _next(folder: Path, console: Console) -> None:
    from latchtrace.reports.text import print_list

    first = next(demo_captures())
    command = f"latchtrace analyse {first.capture} --vehicle {first.vehicle}"
    console.print(f"\nThe analyses are in {folder}: one JSON and one HTML file for each capture.")
    print_list(console, "Next", ["latchtrace serve", command, "latchtrace analyse --help"], bullet="", wrap=False)
