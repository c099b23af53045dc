"""What could be learned from a file of twenty cases, and from two such files by subtraction."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace

import pytest

from onsetstudy.core.errors import RecordsError
from onsetstudy.files.exchange import read_exchanges
from onsetstudy.study.counts.disclosure import learned_by_subtraction, what_can_be_learned
from onsetstudy.study.exchange_results import CountTable
from tests.study.counts.test_files_by_hand import FILE, arms, held, sent, with_rows

DEMO = Path(__file__).parents[3] / "data" / "synthetic"


def grown(name, *changes, **columns):
    """The file with so many more in some rows; ``left_hazard=[(0, 2.0)]`` changes other columns."""
    table = getattr(FILE, name)
    rows = [list(row) for row in table.rows]
    for changed, places in {"n": changes, **columns}.items():
        for row, value in places:
            at = table.columns.index(changed)
            rows[row][at] = rows[row][at] + value if changed == "n" else value
    return dataclasses.replace(FILE, **{name: CountTable(columns=table.columns, rows=tuple(map(tuple, rows)))})


def only(*starts, before=FILE, after):
    """One sentence for each start, then the one on what remains."""
    *found, rest = learned_by_subtraction(before, after)
    assert len(found) == len(starts)
    for sentence, start in zip(found, starts, strict=True):
        assert sentence.startswith(start), sentence
    assert ("Wait until every group" in rest) == bool(starts)
    return rest


def test_the_same_file_twice_and_another_quarter_tell_nothing():
    assert "0 cases more in all, by technique. No group, event or score" in only(after=FILE)
    (told,) = learned_by_subtraction(FILE, sent(quarter=1))
    assert "is of other quarters" in told


def test_few_cases_added_stand_alone_and_five_that_differ_do_not():
    rest = only("1 case more of ianb in 2025Q4", after=grown("cells", (0, 1)))
    assert "1 case more in all" in rest
    only("4 cases more of ianb in", after=grown("cells", (0, 2), (3, 2)))
    assert "6 cases more in all" in only(after=grown("cells", (0, 3), (3, 3)))
    rest = only("2 cases fewer of ianb in", after=grown("cells", (3, -2)))
    assert "2 cases fewer in all" in rest
    # A record that was mended changes no total and tells of two cells.
    only("Of ianb in 2025Q4, 1 case came and 1 went", after=grown("cells", (2, -1), (3, 1)))


@pytest.mark.parametrize(
    ("left", "right", "how"),
    [(1.0, 2.0, "not yet numb at 1 min, numb by 2 min"), (2.0, 2.0, "numb at 2 min"),
     (15.0, None, "never numb while tested")],
)  # fmt: skip
def test_cases_that_all_ended_alike_are_told_with_how(left, right, how):
    before = grown("cells", left_hazard=[(0, left)], right_hazard=[(0, right)])
    at = before.cells.columns.index("n")
    first, *others = before.cells.rows
    more = (*first[:at], first[at] + 5, *first[at + 1 :])
    after = dataclasses.replace(before, cells=CountTable(columns=before.cells.columns, rows=(more, *others)))
    only("The 5 cases added to ianb in 2025Q4", before=before, after=after)
    assert f"all ended alike ({how})" in learned_by_subtraction(before, after)[0]


def test_events_and_scores_of_few_are_told_and_numbers_of_cases_are_no_events():
    only("2 cases more with an adverse event in the arm plain", after=with_rows("safety", ("plain", "event", 2)))
    back = learned_by_subtraction(with_rows("safety", ("plain", "serious", 2)), FILE)[0]
    assert back.startswith("2 cases fewer with a serious adverse event in the arm plain")
    assert "were taken out" in back
    added = learned_by_subtraction(FILE, with_rows("safety", ("buffered", "supplement", 1)))[0]
    assert "a supplement in the arm buffered" in added
    assert "were added" in added
    only(after=with_rows("safety", ("plain", "event", 5)))
    only(after=with_rows("safety", ("plain", "rated", 2)))
    only("1 value more of pain deposition in the arm plain", after=grown("values", (0, 1)))
    only("1 value fewer of minutes spent in the arm buffered", after=grown("values", (7, -1)))
    only("Of pain deposition in the arm plain, 1 value came and 2 went", after=grown("values", (0, 1), (1, -2)))
    only(after=grown("values", (0, 5)))


def test_quarters_that_either_file_joined_are_compared_as_joined():
    joined = grown("cells", quarter=[(k, "2025Q4+2026Q1") for k in range(4)])
    both = (*FILE.quarters, "2026Q1")
    before, after = (dataclasses.replace(f, quarters=both) for f in (FILE, joined))
    only(before=before, after=after)
    at = FILE.cells.columns.index("n")
    late = tuple(("2026Q1", *r[1:at], 1) for r in FILE.cells.rows[:1])
    apart = dataclasses.replace(
        FILE, quarters=both, cells=CountTable(columns=FILE.cells.columns, rows=(*FILE.cells.rows, *late))
    )
    only("1 case fewer of ianb in 2025Q4+2026Q1", before=apart, after=after)


def test_kinds_that_either_file_put_into_others_are_compared_as_joined():
    """Two rare techniques were one another's company; later each stands by itself, and what came can be read off."""
    before = grown("cells", technique=[(2, "other"), (3, "other")])
    apart = {"technique": [(2, "buccal_infiltration"), (3, "mental_incisive")]}
    together = "buccal_infiltration, mental_incisive and other together in 2025Q4"
    only(before=before, after=grown("cells", **apart))
    only(f"2 cases more of {together}", before=before, after=grown("cells", (2, 1), (3, 1), **apart))
    only(f"1 case fewer of {together}", before=grown("cells", (2, 1), **apart), after=before)
    only(before=before, after=grown("cells", (2, 3), (3, 3), **apart))


def told(file, word):
    return [sentence for sentence in what_can_be_learned(file) if word in sentence]


def test_a_file_says_of_how_few_its_counts_are():
    first, second, *rest = what_can_be_learned(FILE)
    assert first == (
        "Practice P01 treated 20 analysed cases in 2025Q4, in 1 group by quarter and technique; the smallest holds 20."
    )
    assert second.startswith("0 of 4 counts are of a single case")
    assert len(rest) == 2
    assert told(grown("cells", (3, -5)), "1 of 4 counts are of a single case")
    assert told(grown("values", (0, -4), (5, -2)), "pain deposition 1, spent 1.")
    assert not told(FILE, "Scores and minutes")
    assert told(with_rows("safety", ("plain", "event", 2)), "1 count of events or supplements is below 5")
    two = with_rows("safety", ("plain", "event", 2), ("plain", "serious", 1))
    assert told(two, "2 counts of events or supplements are below 5")
    assert not told(with_rows("safety", ("plain", "event", 5)), "below 5")
    assert not told(with_rows("safety", ("plain", "rated", 2)), "below 5")
    merged = held(steps=("2025Q4 became 2026Q1",), moved=1, information_kept=0.876)
    assert told(
        merged, "2025Q4 became 2026Q1. 1 case changed their group; information on the hazard ratio kept: 87.6 %"
    )
    assert told(held(steps=("a became b",), information_kept=None), "kept: unknown")
    assert told(held(scores_kept_back=3), "3 scores or waits were kept back")


def test_a_group_that_ended_alike_or_is_too_small_is_named():
    same = grown("cells", left_hazard=[(k, 1.0) for k in range(4)])
    assert told(same, "All cases of 2025Q4 ianb ended alike")
    never = grown("cells", right_hazard=[(k, None) for k in range(4)])
    assert told(never, "All cases of 2025Q4 ianb ended alike")
    assert not told(grown("cells", right_hazard=[(0, None)]), "ended alike")
    # Tested as long, and one of them was never numb.
    mixed = grown("cells", left_hazard=[(k, 1.0) for k in range(4)], right_hazard=[(0, None)])
    assert not told(mixed, "ended alike")
    assert told(held(least=20), "the smallest holds 20")
    with pytest.raises(RecordsError, match="2025Q4 ianb holds 20 cases only"):
        what_can_be_learned(held(least=21))


def test_slips_doubts_and_operators_are_told_where_the_file_has_them():
    assert told(arms(cases=20, verified=18, other_arm=2), "2 of 18 cases with a known slip received another arm")
    assert told(arms(cases=20), "No case was checked against the list or log of slips; the file says so.")
    reason = dataclasses.replace(arms(cases=20).arms, reason="the log was lost")
    assert told(dataclasses.replace(FILE, arms=reason), "with the reason given: the log was lost.")
    doubts = tuple(SimpleNamespace(code=code) for code in ("late_start", "gaps", "few_controls"))
    assert told(dataclasses.replace(FILE, doubts=doubts), "late start, gaps and few controls.")
    assert told(dataclasses.replace(FILE, doubts=doubts[:1]), "counts: late start.")
    assert not told(dataclasses.replace(FILE, doubts=()), "doubts")
    assert not told(FILE, "by operator")
    operators = CountTable(columns=("operator", "technique", "arm", "outcome", "n"), rows=())
    assert told(dataclasses.replace(FILE, operators=operators), "by operator")


def test_no_table_tells_in_which_arm_the_few_were_who_received_another():
    """Harms by the arm received, taken from cells by the arm allocated, would: the demo study has three."""
    files = [exchange for _, exchange in read_exchanges([DEMO / "exchange"])]
    assert sum(e.arms.other_arm for e in files) == 3
    for exchange in files:
        allocated = exchange.cells.to_frame().groupby("arm")["n"].sum()
        harms = exchange.safety.to_frame()
        assert harms[harms["what"] == "cases"].set_index("arm")["n"].to_dict() == allocated.to_dict()
        supplements = harms[harms["what"] == "supplement"].set_index("arm")["n"]
        cells = exchange.cells.to_frame()
        moved = cells[cells["right_hazard"].fillna(-1) != cells["right_wait"].fillna(-1)].groupby("arm")["n"].sum()
        assert all(moved.get(arm, 0) <= n for arm, n in supplements.items())
