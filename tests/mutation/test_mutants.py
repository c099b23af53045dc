"""The changes that the mutation run draws are changes, and those that it must never miss are still found."""

import random

import pytest

from tests.mutation.mutants import mutants_of, named_mutants
from tests.mutation.run import NAMED, ROOT, in_order


def test_every_kind_of_change_is_drawn(tmp_path):
    source = '"""Kept: 1 > 0."""\n\ndef f(a: int | None, b=2):\n    """Kept later."""\n'
    source += "    if a >= b and not a:\n        return -a * b\n    return stats.chi2.sf(a, b - 1), f'{a} £ sooner'\n"
    (tmp_path / "m.py").write_text(source, encoding="utf-8")
    found = {(m.before, m.after) for m in mutants_of(tmp_path, "m.py")}
    assert {
        (">=", ">"), ("and", "or"), ("not a", "a"), ("-a", "a"), ("*", "/"), ("sf", "cdf"), ("-", "+"), ("1", "2"),
        ("2", "3"), ("sooner", "later"), ("-a * b", "None"),
    } <= found  # fmt: skip
    assert not {("later", "sooner"), ("|", "&"), (">", ">=")} & found


def test_a_change_touches_its_own_place_only():
    drawn = mutants_of(ROOT, "onsetstudy/pool/small_groups.py")
    for m in random.Random(1).sample(drawn, 10):
        text = (ROOT / m.path).read_bytes()
        changed = m.of(text)
        assert changed[: m.start] == text[: m.start]
        assert changed[m.start :] == m.after.encode() + text[m.end :]
        assert text[m.start : m.end].decode() == m.before != m.after


@pytest.mark.parametrize("named", NAMED, ids=lambda n: n.name)
def test_changes_that_must_be_noticed_still_fit_the_code(named):
    assert named_mutants(ROOT, named)


def test_tests_of_the_same_room_come_first():
    assert in_order(["tests/core", "tests/study"], "onsetstudy/study/group/analyse_group.py") == [
        "tests/study",
        "tests/core",
    ]
