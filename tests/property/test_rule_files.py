"""Whatever is done to a rule file, its mistakes are told with their place, and nothing else happens."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from latchtrace.rules.check import CheckedRule, check_text, shipped_rules
from latchtrace.rules.example_lines import parse_lines

SHIPPED = {path.name: path.read_text(encoding="utf-8") for path in sorted(shipped_rules().glob("*.yaml"))}
HEADS = {name: text.split("\nexample")[0] + "\n" for name, text in SHIPPED.items()}
WORDS = [
    "", "0", "-1", "99999999999999999999999", "1e9", "none", "unknown", "lock", "locked", "every", "$closure", "$x",
    "$", "30 s", "15 km/h", "relock.delay", "2 * relock.delay - 1 s", "2 *", "- -", "{}", "[]", "[[]]", "{a: {b: c}}",
    "null", "~", "true", "yes", "ä ö", "'", '"', "|", ">", "\t", "🚗", "&a", "*a", "!!python/object:os.system x", "- x",
    "? y", ": z", "# c", "what", "fact", "is", "within", "action", "gap 1..2", "{measured}", "{x}", "{", "%s", "\x00",
    "\x85", "\u2028", "x" * 5000,
]  # fmt: skip


def check(raw: bytes) -> CheckedRule:
    checked = check_text(raw, "tried.yaml")
    assert checked.rule is not None or checked.problems
    text = raw.decode("utf-8", "replace")
    lines = sum(text.count(end) for end in "\n\r\x85\u2028\u2029") + 1
    for problem in checked.problems:
        assert problem.file == "tried.yaml"
        assert 1 <= problem.line <= lines + 1
        assert problem.column >= 1
        assert problem.what
        assert "\n" not in str(problem)
        assert len(str(problem)) < 2000
    return checked


def tokens(line: str) -> list[str]:
    """A line in pieces that a person may get wrong one at a time."""
    pieces, word = [], ""
    for letter in line:
        if letter in " {}[]:,":
            pieces += [word, letter] if word else [letter]
            word = ""
        else:
            word += letter
    return [*pieces, word] if word else pieces


def one_piece(chance: random.Random, line: str) -> str:
    """The line with one of its pieces replaced, dropped, doubled, exchanged or cut."""
    pieces = tokens(line)
    if not pieces:
        return chance.choice(WORDS)
    place = chance.randrange(len(pieces))
    match chance.choice(("replace", "drop", "double", "swap", "cut")):
        case "replace":
            pieces[place] = chance.choice(WORDS)
        case "drop":
            del pieces[place]
        case "double":
            pieces.insert(place, pieces[place])
        case "swap":
            other = chance.randrange(len(pieces))
            pieces[place], pieces[other] = pieces[other], pieces[place]
        case _:
            pieces = pieces[:place]
    return "".join(pieces)


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_rule_file_is_sound_to_begin_with(name: str) -> None:
    assert check(SHIPPED[name].encode()).problems == ()


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(sorted(HEADS)), st.integers(0, 10**9))
def test_a_piece_of_a_rule_put_wrong_never_breaks_the_reading(name: str, seed: int) -> None:
    chance = random.Random(seed)
    lines = HEADS[name].split("\n")
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(lines))
        lines[at] = one_piece(chance, lines[at])
    check("\n".join(lines).encode())


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(sorted(SHIPPED)), st.integers(0, 10**9))
def test_a_piece_of_an_example_put_wrong_never_breaks_the_reading(name: str, seed: int) -> None:
    chance = random.Random(seed)
    lines = SHIPPED[name].split("\n")
    first = next(i for i, line in enumerate(lines) if line.startswith("example"))
    at = chance.randrange(first, len(lines))
    lines[at] = one_piece(chance, lines[at])
    check("\n".join(lines).encode())


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(sorted(HEADS)), st.integers(0, 60), st.integers(0, 60), st.booleans())
def test_lines_lost_or_written_twice_never_break_the_reading(name: str, first: int, second: int, twice: bool) -> None:
    lines = HEADS[name].split("\n")
    lo, hi = min(first, second), max(first, second)
    check("\n".join([*lines[:lo], *(lines[lo:hi] * 2 if twice else []), *lines[hi:]]).encode())


FIELDS = sorted({line.partition(":")[0] for text in HEADS.values() for line in text.split("\n") if line[:1].isalpha()})
SHAPES = st.recursive(
    st.sampled_from(WORDS),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(WORDS), inner, max_size=3)),
    max_leaves=8,
)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(sorted(HEADS)), st.sampled_from([*FIELDS, "examples", "example-car", "classes", "since"]), SHAPES
)
def test_any_shape_at_any_field_never_breaks_the_reading(name: str, field: str, shape: object) -> None:
    blocks: list[list[str]] = []
    for line in HEADS[name].split("\n"):
        if line[:1] != " " or not blocks:
            blocks.append([])
        blocks[-1].append(line)
    kept = [line for block in blocks if not block[0].startswith(field + ":") for line in block]
    check(("\n".join(kept) + f"\n{field}: {json.dumps(shape, ensure_ascii=False)}\n").encode())


CONDITIONS = ["fact", "closure", "state", "policy", "number", "happened", "elapsed", "latest", "not", "all", "any-of"]
PARTS = st.dictionaries(
    st.sampled_from(
        [*CONDITIONS, "is", "what", "within", "since", "from", "to", "after", "above", "below", "latch", "ajar", "when",
         "of", "action", "source-not", "or-parameter", "reaches", "give", "until-below"]
    ),
    st.recursive(
        st.sampled_from(WORDS[:40]),
        lambda inner: st.one_of(
            st.lists(inner, max_size=3),
            st.dictionaries(st.sampled_from([*CONDITIONS, "what", "is", "action"]), inner, max_size=3),
        ),
        max_leaves=6,
    ),
    max_size=4,
)  # fmt: skip


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(sorted(HEADS)), st.sampled_from(["given", "unless", "never", "observe", "expect"]), PARTS)
def test_any_condition_at_any_field_never_breaks_the_reading(name: str, field: str, part: object) -> None:
    lines = [line for line in HEADS[name].split("\n") if not line.startswith(f"{field}:")]
    check(("\n".join(lines) + f"\n{field}: {json.dumps(part, ensure_ascii=False)}\n").encode())


HEAD = HEADS["mechanical-operation.yaml"]
HARMFUL: dict[str, Callable[[], bytes]] = {
    "an anchor": lambda: HEAD.replace("[latch]", "&a [latch]").encode() + b"unless: *a\n",
    "many anchors in each other": lambda: HEAD.encode() + b"unless: &a [*a, *a]\n",
    "a tag that would make an object": lambda: HEAD.encode() + b"unless: !!python/object/apply:os.system [ls]\n",
    "a key written twice": lambda: HEAD.encode() + b"severity: note\n",
    "several documents": lambda: HEAD.encode() + b"---\nrule: other\n",
    "very deep nesting": lambda: HEAD.encode() + b"unless: " + b"[" * 4000 + b"]" * 4000,
    "a huge scalar": lambda: HEAD.encode() + b"unless: " + b"x" * 3_000_000,
    "a large scalar": lambda: HEAD.encode() + b"unless: " + b"x" * 1_000_000,
    "no UTF-8": lambda: HEAD.encode() + b"unless: \xff\xfe\n",
    "UTF-16": lambda: HEAD.encode("utf-16"),
    "nothing": lambda: b"",
    "nothing but spaces": lambda: b"   \n\n",
    "a list": lambda: b"- rule\n",
    "a word": lambda: b"rule\n",
    "a control character": lambda: HEAD.encode() + b"unless: \x01\n",
    "a tab": lambda: HEAD.encode() + b"\tunless: a\n",
    "a rule id that is a path": lambda: HEAD.replace("rule: mechanical-operation", "rule: ../../x").encode(),
}


@pytest.mark.parametrize("what", HARMFUL)
def test_a_harmful_file_is_refused_with_a_place(what: str) -> None:
    assert check(HARMFUL[what]()).problems


def test_a_folder_in_the_place_of_a_file_is_a_mistake_of_that_file(tmp_path: Path) -> None:
    from latchtrace.rules.check import check_files

    (tmp_path / "folder.yaml").mkdir()
    (checked,) = check_files([tmp_path / "folder.yaml"])
    assert "cannot be read" in checked.problems[0].what


@settings(max_examples=400, deadline=None)
@given(st.lists(st.lists(st.sampled_from([
    "10", "10.1", "10..11", "11..10", "..", "1e3", "-5", "gap", "loss", "end", "latch", "all", "unlocked", "request",
    "remote-button", "unlock", "until", "speed", "20", "km/h", "command", "#", "ajar", "open", "hand-release",
    "999999999999999", "other:barn", "other:", "request.keypad", "\t", "ä",
    "validation", "refused", "slot", "counter", "code", "0x1F",
]), max_size=9), max_size=6))  # fmt: skip
def test_lines_of_any_words_give_happenings_or_placed_mistakes(words: list[list[str]]) -> None:
    text = "\n".join(" ".join(line) for line in words)
    lines, mistakes = parse_lines(text)
    for mistake in mistakes:
        assert 1 <= mistake.line <= len(words)
        assert 1 <= mistake.column <= len(text.split("\n")[mistake.line - 1]) + 1
    told = {one.line for one in lines.happenings} | {one.line for one in mistakes}
    for number, line in enumerate(words, 1):
        said = " ".join(line).partition("#")[0].split()
        if said and said[0] not in ("gap", "loss", "end"):
            assert number in told


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=60))
def test_lines_of_any_letters_never_break_the_reading(text: str) -> None:
    parse_lines(text)
