from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from latchtrace import api
from latchtrace.model.results import AnalysisResult
from support.fake_results import fake_capture, fake_result, fake_test


@dataclass
class FakeInterface:
    """Stands for the Python interface: remembers how it was called, answers with what it was told to."""

    result: AnalysisResult = field(default_factory=fake_result)
    calls: list[tuple[str, tuple[Any, ...], dict[str, Any]]] = field(default_factory=list)
    during: Callable[[], None] = lambda: None

    def analyse(self, *args: Any, **kwargs: Any) -> api.Analysis:
        self.calls.append(("analyse", args, kwargs))
        self.during()
        return api.Analysis(self.result)

    def verify(self, *args: Any, **kwargs: Any) -> Any:
        self.calls.append(("verify", args, kwargs))
        self.during()
        return fake_test()

    def capture_info(self, *args: Any, **kwargs: Any) -> Any:
        self.calls.append(("capture_info", args, kwargs))
        self.during()
        return fake_capture()


@pytest.fixture
def interface(monkeypatch: pytest.MonkeyPatch) -> FakeInterface:
    fake = FakeInterface()
    for name in ("analyse", "verify", "capture_info"):
        monkeypatch.setattr(api, name, getattr(fake, name))
    return fake


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a capture and a vehicle file by name, and the work done in it."""
    (tmp_path / "night.log").write_text("(1.0) can0 123#00\n")
    (tmp_path / "car.yaml").write_text("version: 1\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path
