"""The changes that the mutation run draws are changes, and those that it must never miss are still found."""

import random
from collections import Counter

import pytest

from tests.mutation.mutants import Mutant, Named, mutants_of, named_mutants
from tests.mutation.places import NAMED, SUITE
from tests.mutation.run import ROOT, draw, lot, target_files
from tests.mutation.server import dependants, forked
from tests.mutation.trace import Map, places_of


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


def small_target():
    """The smallest of the files that are changed which has changes enough to draw from."""
    by_size = sorted(target_files(), key=lambda f: f.stat().st_size)
    return next(f for f in by_size if len(mutants_of(ROOT, f.relative_to(ROOT).as_posix())) > 9)


def test_a_change_touches_its_own_place_only():
    for m in random.Random(1).sample(mutants_of(ROOT, small_target().relative_to(ROOT).as_posix()), 2):
        text = (ROOT / m.path).read_bytes()
        changed = m.of(text)
        assert changed[: m.start] == text[: m.start]
        assert changed[m.start :] == m.after.encode() + text[m.end :]
        assert text[m.start : m.end].decode() == m.before != m.after


@pytest.mark.parametrize("named", NAMED, ids=lambda n: n.name)
def test_changes_that_must_be_noticed_still_fit_the_code(named):
    assert named_mutants(ROOT, named)


def test_a_pattern_that_fits_nothing_is_not_hidden_by_one_that_fits():
    fits, fails = ("tests/mutation/places.py", "EVERYWHERE =", "="), ("tests/mutation/places.py", "no such [t]ext", "")
    assert named_mutants(ROOT, Named(name="one", patterns=(fits,)))
    assert not named_mutants(ROOT, Named(name="two", patterns=(fits, fails)))


def test_everything_named_in_the_table_is_there():
    assert target_files()
    assert all((ROOT / file).exists() for file in SUITE)


def test_a_draw_is_the_same_again_and_a_longer_one_begins_with_it():
    short = [small_target()]
    few, of = draw(5, 1, short)
    more, _ = draw(9, 1, short)
    assert few == more[:5]
    assert len(set(more)) == 9 < of
    assert draw(5, 2, short)[0] != few


def test_lines_above_do_not_change_a_lot():
    text = b"a = 1\n"
    here = Mutant(path="m.py", line=1, start=4, end=5, before="1", after="2")
    below = Mutant(path="m.py", line=2, start=10, end=11, before="1", after="2")
    assert lot(here, text, 1, 0) == lot(below, b"b = 0\n" + text, 1, 0)
    assert lot(here, text, 1, 0) != lot(here, text, 1, 1)


def test_who_runs_the_statement_is_asked_quickest_first():
    text = b"x = 1\ndef f(a):\n    if a:\n        return (\n            1)\n    return 2\n"
    places = places_of(text)
    assert places[1] is None
    assert list(places[3]) == [3]
    assert list(places[5]) == [4, 5]
    one = {"seconds": {"t::slow": 1.0, "t::quick": 0.1, "t::other": 0.1, "t::endless": 99.0},
           "lines": {"m.py": {"3": ["t::slow", "t::quick", "t::other"],
                              "4": ["t::slow", "t::quick", "t::endless"]}}}  # fmt: skip
    found = Map((one,))

    def heard(line):
        return found.heard(Mutant(path="m.py", line=line, start=0, end=1, before="a", after="b"), text)

    assert heard(5) == ["t::quick", "t::slow"]
    assert heard(1) == ["t::other", "t::quick", "t::slow"]
    # What no test runs may have been made as they were collected: then all tests of the module are asked.
    assert heard(6) == heard(1)


def test_what_rests_on_a_module_is_imported_again():
    imported = {"p.a": set(), "p.b": {"p.a"}, "p.c": {"p.b"}, "p.d": set()}
    assert dependants("p.a", imported) == {"p.a", "p.b", "p.c"}


def test_forks_tell_their_verdict_and_end_in_time():
    def endless():
        while True:
            pass

    told = Counter(said for _, said, _ in forked([(lambda: "killed,x", 60.0), (endless, 0.3)], 2))
    assert told == {"killed,x": 1, "timeout,": 1}
