"""The optional parts: what messages and README tell people to install is what the package offers."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
EXTRAS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]


def test_every_extra_that_a_message_names_exists_and_every_extra_for_users_is_named() -> None:
    texts = [path.read_text("utf-8") for path in (ROOT / "src").rglob("*.py")]
    assert {name for text in texts for name in re.findall(r"pip install 'latchtrace\[(\w+)\]'", text)} == set(
        EXTRAS
    ) - {"test"}


def test_readme_says_how_to_install_each_extra_for_users() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    assert set(re.findall(r"pip install '\.\[(\w+)\]'", readme)) == set(EXTRAS) - {"test"}


def test_parquet_comes_with_its_extra() -> None:
    assert [wanted.partition(">")[0] for wanted in EXTRAS["parquet"]] == ["pyarrow"]
