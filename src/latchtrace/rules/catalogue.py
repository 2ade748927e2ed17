"""Where the shipped rules lie, and how a user's own join them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from latchtrace.errors import UsageError
from latchtrace.model.results import RuleInfo
from latchtrace.model.userfile import load_user_file
from latchtrace.rules.rule import Rule
from latchtrace.rules.schema import load_rules


def data_folder() -> Path:
    """The package's data folder."""
    return Path(__file__).resolve().parent.parent / "data"


@cache
def words() -> Mapping[str, Mapping[str, Mapping[str, str]]]:
    """The words for sources and actions, as all screens use them."""
    data: Mapping[str, Mapping[str, Mapping[str, str]]] = load_user_file(data_folder() / "wording.yaml").data
    return data


def catalogue(folder: Path | None = None) -> tuple[list[Rule], list[str]]:
    """The rules in use and, in words, which shipped ones the user's folder replaces.

    A rule of the folder with the id of a shipped one takes its place. Raises UserFileError, UsageError.
    """
    rules = {tuple(text.id for text in rule.texts): rule for rule in load_rules(data_folder() / "rules")}
    replaced: list[str] = []
    if folder is None:
        return list(rules.values()), replaced
    if not folder.is_dir():
        raise UsageError(f"{folder}: is not a folder of rule files; give a folder that holds .yaml rules")
    own = load_rules(folder)
    if not own:
        raise UsageError(f"{folder}: holds no rule file; rules are files that end in .yaml")
    for rule in own:
        ids = {text.id for text in rule.texts}
        for known in [key for key in rules if ids & set(key)]:
            del rules[known]
            replaced += [f"{name} is replaced by {rule.file}" for name in known]
        rules[tuple(sorted(ids))] = rule
    return list(rules.values()), replaced


def infos(rules: list[Rule]) -> tuple[RuleInfo, ...]:
    """The catalogue as people read it, one entry an id."""
    return tuple(
        RuleInfo(
            id=text.id,
            severity=text.severity,
            function=rule.function,
            title=text.title,
            means=text.means,
            check=text.check,
            cautions=text.cautions,
            pattern=rule.pattern,
            by_design=text.by_design,
            file=Path(rule.file).name,
            text=rule.source,
        )
        for rule in sorted(rules, key=lambda rule: rule.texts[0].id)
        for text in rule.texts
    )
