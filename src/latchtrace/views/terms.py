"""The trade's words for latchtrace's labels, read once from `data/wording.yaml`."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def terms() -> Mapping[str, Mapping[str, Any]]:
    """All words by group and label: `terms()["states"]["ajar"]`."""
    import yaml

    loader: Any = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
    text = files("latchtrace").joinpath("data", "wording.yaml").read_text("utf-8")
    loaded: Mapping[str, Mapping[str, Any]] = yaml.load(text, Loader=loader)  # noqa: S506
    return loaded


def term(group: str, label: str) -> str:
    """The word for a label, or the label itself where it is the user's own (`other:…`, a lock group)."""
    found = terms().get(group, {}).get(label)
    return found if isinstance(found, str) else own_label(label)


def term_of(group: str, label: str, field: str) -> str:
    """One of several words a label has, such as a source's `title` and `phrase`."""
    found = terms().get(group, {}).get(label)
    return str(found[field]) if isinstance(found, dict) and field in found else own_label(label)


def own_label(label: str) -> str:
    """A label of the user's own as a person reads it: `other:winch` is `winch`."""
    return label.removeprefix("other:").replace("_", " ")
