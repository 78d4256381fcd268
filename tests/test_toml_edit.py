"""Editing TOML: comments, order and the tables of others stay; the new text says what was meant, or it is refused."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from verifyrig.files.toml_edit import EditError, Value, put_by_id, set_keys

PLATE = ("channel", "plate_temp_c")


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (
            'shop = { name = "Old", colour = "green" }  # all in one\n',
            'shop = { name = "New", colour = "green" }  # all in one\n',
        ),
        ('shop.name = "Old" # dotted\nshop.colour = "green"\n', 'shop.name = "New" # dotted\nshop.colour = "green"\n'),
        (
            '# ours\n[shop]   # since 2019\n  name = "Old"   # over the door\n\n# about x\n[x]\n',
            '# ours\n[shop]   # since 2019\n  name = "New"   # over the door\n\n# about x\n[x]\n',
        ),
        ("# only a comment\n", '# only a comment\n\n[shop]\nname = "New"\n'),
        ("a = 1", 'a = 1\n\n[shop]\nname = "New"\n'),
        # A new key stands with its own; the comment above the next table stays with that one.
        (
            '[shop]\nlogo = "l"\n\n# the till\n[till]\nx = 1\n',
            '[shop]\nlogo = "l"\nname = "New"\n\n# the till\n[till]\nx = 1\n',
        ),
    ],
)
def test_a_key_is_set_where_it_belongs_and_the_rest_is_untouched(before: str, after: str) -> None:
    assert set_keys(before, ("shop",), {"name": "New"}) == after


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("", "[channel.plate_temp_c]\ncorrection = -0.5\n"),
        (
            '[channel]\nplate_temp_c = { source = "y" } # thin\n',
            '[channel]\nplate_temp_c = { source = "y" , correction = -0.5} # thin\n',
        ),
        (
            "[channel.a]\nx = 1\n\n# the shop\n[shop]\ny = 1\n",
            "[channel.a]\nx = 1\n\n# the shop\n[shop]\ny = 1\n\n[channel.plate_temp_c]\ncorrection = -0.5\n",
        ),
        # A table that is written inline takes no header from outside (TOML 1.0.0, "Inline Table"): it grows inline.
        (
            "channel = { a = { x = 1 } } # all\n",
            "channel = { a = { x = 1 } , plate_temp_c = {correction = -0.5}} # all\n",
        ),
    ],
)
def test_a_table_within_a_table_is_made_where_there_is_none(before: str, after: str) -> None:
    new = set_keys(before, PLATE, {"correction": -0.5})
    assert "".join(new.split()) == "".join(after.split())
    assert tomllib.loads(new) == tomllib.loads(after)


def test_none_takes_a_key_away_and_makes_no_table() -> None:
    assert set_keys("a = 1\n", PLATE, {"correction": None}) == "a = 1\n"
    text = "[channel.plate_temp_c]\nsource = 'x' # thin\ncorrection = 1\n\n# next\n[shop]\n"
    assert set_keys(text, PLATE, {"correction": None}) == text.replace("correction = 1\n", "")


TWO = """\
[[instrument]]
id = "meter" # on the shelf
url = "/dev/ttyUSB7"
[instrument.channels]
w = "wall_power_w" # of the socket

# the plate
[[instrument]]
id = "probe" # thin
url = "/dev/ttyUSB0"
pattern = "old"

# the shop
[shop]
name = "Bench"
"""
PROBE: dict[str, Value] = {"id": "probe", "url": "COM3", "channels": {"t1": "plate_temp_c"}}


def test_a_table_of_an_array_is_replaced_in_its_place() -> None:
    new = put_by_id(TWO, "instrument", PROBE)
    data = tomllib.loads(new)
    assert data["instrument"][1] == PROBE and data["instrument"][0] == tomllib.loads(TWO)["instrument"][0]
    for comment in ("# on the shelf", "# of the socket", "\n\n# the plate\n[[", "# thin", "\n\n# the shop\n[shop]"):
        assert comment in new


def test_a_table_within_a_replaced_one_gives_its_comment_for_what_follows_back() -> None:
    meter: dict[str, Value] = {"id": "meter", "url": "COM4", "channels": {"v": "rail_12v_v"}}
    new = put_by_id(TWO, "instrument", meter)
    assert tomllib.loads(new)["instrument"][0] == meter
    assert "\n\n# the plate\n[[instrument]]" in new
    gone = put_by_id(TWO, "instrument", {"id": "meter", "url": "COM4"})
    assert tomllib.loads(gone)["instrument"][0] == {"id": "meter", "url": "COM4"}
    assert "\n\n# the plate\n[[instrument]]" in gone


@pytest.mark.parametrize(
    "before",
    [
        "",
        "a = 1\n",
        TWO.replace('"probe"', '"other"'),
        'instrument = [ { id = "m", url = "x" } ] # inline\n',
        "instrument = []\n",
    ],
)
def test_a_new_table_of_an_array_comes_last(before: str) -> None:
    new = put_by_id(before, "instrument", PROBE)
    known = tomllib.loads(before).get("instrument", [])
    assert tomllib.loads(new)["instrument"] == [*known, PROBE]
    for line in before.splitlines():
        if "#" in line:
            assert line[line.index("#") :] in new


@pytest.mark.parametrize("before", ["shop = 3\n", "[[shop]]\nx = 1\n", "shop = []\n", "[shop]\ninner = 'x'\n"])
def test_what_would_be_lost_is_not_replaced(before: str) -> None:
    with pytest.raises(EditError):
        set_keys(before, ("shop", "inner"), {"name": "New"})
    with pytest.raises(EditError):
        put_by_id("instrument = [1]\n", "instrument", PROBE)


def test_what_the_library_cannot_edit_is_refused_not_bent() -> None:
    # A comment behind the comma of an inline array: either it is edited rightly, comment and all, or it is refused.
    before = 'instrument = [ { id = "m" }, # first\n ]\n'
    try:
        new = put_by_id(before, "instrument", PROBE)
    except EditError:
        return
    assert tomllib.loads(new)["instrument"] == [{"id": "m"}, PROBE] and "# first" in new


def test_no_toml_is_no_toml() -> None:
    with pytest.raises(tomllib.TOMLDecodeError):
        set_keys("[shop\n", ("shop",), {"name": "New"})


# ---- any file

NAMES = st.sampled_from(["shop", "report", "channel", "x y", "a.b", "#", ""])
PLAIN = st.one_of(st.text('ab#"\\ é', max_size=8), st.integers(-9, 9), st.booleans())
TABLES = st.recursive(
    st.dictionaries(NAMES, PLAIN, max_size=3), lambda inner: st.dictionaries(NAMES, st.one_of(PLAIN, inner), max_size=3)
)
FILES = st.dictionaries(
    st.sampled_from(["shop", "report", "channel", "x y", "instrument"]),
    st.one_of(PLAIN, TABLES, st.lists(TABLES, max_size=3)),
    max_size=4,
)


def as_meant(tree: Any, path: tuple[str, ...], values: dict[str, str | None]) -> bool:
    """Set keys of plain data, the outside to compare with; return whether no table would be lost."""
    makes = any(value is not None for value in values.values())
    for name in path:
        if name not in tree and not makes:
            return True
        tree = tree.setdefault(name, {})
        if not isinstance(tree, dict):
            return False
    if any(isinstance(tree.get(key), dict) for key in values):
        return False
    for key, value in values.items():
        if value is None:
            tree.pop(key, None)
        else:
            tree[key] = value
    return True


@settings(max_examples=50, deadline=None)
@given(
    tree=FILES,
    path=st.sampled_from([("shop",), ("report",), PLATE, ("channel", "x y"), ("x y",)]),
    values=st.dictionaries(NAMES, st.one_of(st.none(), st.text(max_size=12)), max_size=3),
)
def test_any_file_says_afterwards_what_was_meant_and_nothing_else_changed(
    tree: dict[str, Any], path: tuple[str, ...], values: dict[str, str | None]
) -> None:
    text = "".join(f"# comment {n}\n{line}\n" for n, line in enumerate(tomli_w.dumps(tree).splitlines()))
    meant = copy.deepcopy(tree)
    if not as_meant(meant, path, values):
        with pytest.raises(EditError):
            set_keys(text, path, values)
        return
    new = set_keys(text, path, values)
    assert tomllib.loads(new) == meant
    taken = any(value is None for value in values.values())
    assert taken or [line for line in text.splitlines() if line.startswith("#") and line not in new] == []
