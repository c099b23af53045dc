"""Killed at any moment: nothing half, nothing twice."""

import csv
import datetime as dt
import os
import random
import shutil
import signal
import sys
import time
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.cli.openings import openings_of_practice
from onsetstudy.cli.reported_entries import with_ledger
from onsetstudy.files.documents.archive import write_in_place
from onsetstudy.files.documents.reports import write_report
from onsetstudy.files.ledger.ledger import ledger_path, practice_ledger_path, verified_ledger
from onsetstudy.files.ledger.side_files import read_arms, read_companions
from onsetstudy.files.output import finish_together
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.files.sealed.opening_log import log_path, read_opening_log
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.protocol.ledger import of_kind
from onsetstudy.records.derived.roster import ROWS, Listed, Roster
from onsetstudy.study.practice.analyse import analyse
from tests.clean_process import CLEAN
from tests.examples import THOROUGH
from tests.few_slips import short_list

GROUP = Path("protocols/mandibular_block_group.toml")

TOUCHES = {"os.chmod", "os.link", "os.mkdir", "os.remove", "os.rename", "os.rmdir", "os.truncate", "sqlite3.connect"}


def before_each_touch(do):
    """From now on ``do`` is called before this process makes, opens for writing, forces, moves or removes a file."""

    def heard(event, told):
        writes = event == "open" and isinstance(told[2], int) and told[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if event in TOUCHES or writes:
            do()

    def forced(file, force=os.fsync):
        do()
        force(file)

    sys.addaudithook(heard)
    os.fsync = forced


def count_touches(work, told):
    count = []
    before_each_touch(lambda: count.append(1))
    work()
    told.put(len(count))


def work_until(work, place):
    left = [place]

    def counted():
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    before_each_touch(counted)
    work()


def ended(child):
    child.join()
    assert child.exitcode in (0, -signal.SIGKILL)
    return child.exitcode == 0


def killed_before(work, place):
    """Run ``work`` in a child process that is killed just before it touches the disk for the ``place``-th time.

    Returns whether it had come to its end. Moments by the clock fall into long computations, where there is nothing to
    lose; these are all those between which the disk can differ.
    """
    child = CLEAN.Process(target=work_until, args=(work, place))
    child.start()
    return ended(child)


def killed(work, after_s):
    """Run ``work`` in a child process and kill it after some seconds; whether it had come to its end."""
    child = CLEAN.Process(target=work)
    child.start()
    time.sleep(after_s)
    child.kill()
    return ended(child)


def places(work, so_many, chance):
    """Places at which to kill ``work``: all of them in a thorough run, else ``so_many`` spread over it."""
    told = CLEAN.SimpleQueue()
    child = CLEAN.Process(target=count_touches, args=(work, told))
    child.start()
    assert ended(child)
    number = told.get()
    assert number > so_many
    if THOROUGH:
        return range(1, number + 1)
    return [chance.randrange(k * number // so_many, (k + 1) * number // so_many) + 1 for k in range(so_many)]


def drawn(folder, slips):
    """A list of one practice and one technique."""
    mine = short_list(folder.with_suffix(".toml"), practices=("P01",))
    run = CliRunner().invoke(
        onsetstudy, ["allocate", str(mine), "--into", str(folder), "--slips", str(slips), "--way", "passphrases"]
    )
    assert run.exit_code == 0, run.exception
    with open(folder / "passphrases.csv", encoding="utf-8") as file:
        return {row["slip"]: row["passphrase"] for row in csv.DictReader(file)}


def open_three(sealed, words, first):
    for k in range(first, first + 3):
        open_next(
            sealed,
            case_id=f"P01-{k:04d}",
            levels={"technique": "ianb"},
            opened_by="",
            now=dt.datetime(2026, 1, 5, 9),
            passphrase=words.__getitem__,
        )
        openings_of_practice(sealed).enter()


@pytest.mark.slow
def test_open_slip(tmp_path):
    words = drawn(tmp_path / "list", 300 if THOROUGH else 90)
    sealed = tmp_path / "list" / "sealed-P01.json"
    chance, work = random.Random(1), partial(open_three, sealed, words)

    at = [(killed_before, place) for place in places(partial(work, 1), 24, chance)]
    begun = time.perf_counter()
    work(3)
    took = time.perf_counter() - begun
    # By the clock too, for moments within a write.
    at += [(killed, chance.uniform(0, 1.5 * took)) for _ in range(100 if THOROUGH else 12)]
    ends = 0
    for turn, (kill, when) in enumerate(at):
        # The case at which the last one was killed comes again.
        last = max(len(read_opening_log(log_path(sealed))[0]), 1)
        ends += kill(partial(work, last), when)
        log, broken = read_opening_log(log_path(sealed))
        assert broken == (), turn
        assert log["slip"].is_unique
        assert log["case_id"].is_unique
        assert (log["arms"] != "").all()
        held = [e.body["slip"] for e in of_kind(verified_ledger(practice_ledger_path(sealed)), "slip_opened")]
        assert held == log["slip"].tolist()[: len(held)]
    assert 0 < ends < len(at), "killed at moments within and after"
    work(len(log))
    held = [e.body["slip"] for e in of_kind(verified_ledger(practice_ledger_path(sealed)), "slip_opened")]
    assert held == read_opening_log(log_path(sealed))[0]["slip"].tolist()


def allocated(mine, into, seed):
    given = ["--into", str(into), "--slips", "4", "--print", "--seed", str(10**12 + seed)]
    return CliRunner().invoke(onsetstudy, ["allocate", str(mine), *given])


def allocate(mine, into, seed):
    done = allocated(mine, into, seed)
    if done.exception is not None:
        raise done.exception


@pytest.mark.slow
def test_allocate(tmp_path):
    practices = ("P01", "P02")
    mine = short_list(tmp_path / "mine.toml", practices=practices)
    CliRunner().invoke(onsetstudy, ["lock", str(mine)])
    for turn, place in enumerate(places(partial(allocate, mine, tmp_path / "counted", 1), 12, random.Random(2))):
        folder = tmp_path / f"list{turn}"
        # Every drawing has a seed of its own: so few slips would be drawn alike by chance.
        assert not killed_before(partial(allocate, mine, folder, 100 + turn), place)
        # A list that was whole when it was killed, but not yet in its place, is put there and not drawn again.
        there = (folder / "list.csv").exists() or any(folder.glob(".whole-*/list.csv"))
        again = allocated(mine, folder, 200 + turn)
        # A list that is there is whole and stays; otherwise it is drawn as if nothing had been.
        assert ("holds a list already" in str(again.exception)) is there, (turn, again.exception)
        assert {p.name for p in folder.glob("sealed-*.json")} == {f"sealed-{code}.json" for code in practices}
        assert {p.name for p in folder.glob("[!.]*")} >= {
            "list.csv",
            "list.json",
            "commitments.json",
            "passphrases.csv",
            "slips.pdf",
        }
        digests = [e.body["files"]["list.csv"] for e in of_kind(verified_ledger(ledger_path(mine)), "list_drawn")]
        assert len(set(digests)) == len(digests) == turn + 2


def write_with_looks(found, mine, into):
    write_report(with_ledger(found, mine, by="practice"), into, formats=["json"])


@pytest.mark.usefixtures("answer_alone")
@pytest.mark.slow
def test_report(tmp_path):
    promised = read_protocol(GROUP)
    for table in ("cases", "cold_tests"):
        lines = Path(f"data/synthetic/{table}.csv").read_text(encoding="utf-8").splitlines(keepends=True)
        kept = [line for k, line in enumerate(lines) if not k or line.startswith(("P01-", "P02-"))]
        (tmp_path / f"{table}.csv").write_text("".join(kept), encoding="utf-8")
    records = read_records([tmp_path], promised)
    beside = read_companions(GROUP, read_arms(beside=[Path("data/synthetic")]))
    found = analyse(promised, records, quarter="2026Q1", beside=beside)
    work = partial(write_with_looks, found)

    def begun(name):
        mine = tmp_path / name / "mine.toml"
        mine.parent.mkdir()
        shutil.copy(GROUP, mine)
        CliRunner().invoke(onsetstudy, ["lock", str(mine)])
        return mine

    whole = begun("whole")
    for turn, place in enumerate(places(partial(work, whole, tmp_path / "whole" / "reports"), 8, random.Random(3))):
        mine = begun(f"turn{turn}")
        into = mine.parent / "reports"
        assert not killed_before(partial(work, mine, into), place)
        written = list(into.glob("[!.]*.json"))
        before = [p.read_bytes() for p in written]
        work(mine, into)
        looks = [e.body["quarter"] for e in of_kind(verified_ledger(ledger_path(mine)), "look_taken")]
        assert looks == ["2025Q4", "2026Q1"], turn
        if before:
            assert [p.read_bytes() for p in written] == before


SUFFIXES = ("html", "json", "pdf")
REPORTS = [{f"r.{end}": f'["{end} {turn}"]'.encode() * 500 for end in SUFFIXES} for turn in (1, 2)]


def write_again(folder, turn):
    """The report of a quarter, for the first or the second time, over one case more each time."""
    cases = {f"P01-{k:04d}": Listed(row="a", tests="b", standing="analysed") for k in range(turn)}
    roster = Roster(rows=dict.fromkeys(ROWS, turn), cases=cases)
    write_in_place(folder, REPORTS[turn - 1], name="r", quarter="2026Q3", roster=roster)


def reports_in(folder):
    """Which of the two reports lie whole in a folder, under whatever mark; nothing of either may lie there half."""
    held = [
        p.read_bytes() for p in folder.glob("r*") if p.suffix in (".html", ".json", ".pdf") and "cases" not in p.name
    ]
    assert all(content in (*REPORTS[0].values(), *REPORTS[1].values()) for content in held)
    return [turn for turn, made in enumerate(REPORTS, start=1) if all(content in held for content in made.values())]


def tree(folder):
    """Files by their places; what waits in hidden ones until it is whole, or was left there, nobody reads."""
    files = {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    return {place.as_posix(): content for place, content in files.items() if not hidden(place)}


def hidden(place):
    return any(part.startswith(".") for part in place.parts)


@pytest.mark.slow
def test_archiving(tmp_path):
    quiet = tmp_path / "quiet"
    write_again(quiet, 1)
    first = tree(quiet)
    shutil.copytree(quiet, tmp_path / "counted")
    at = places(partial(write_again, tmp_path / "counted", 2), 16, random.Random(4))
    write_again(quiet, 2)
    assert reports_in(quiet) == [2]
    assert reports_in(quiet / "archive" / "2026Q3") == [1]
    seen = set()
    for turn, place in enumerate(at):
        folder = tmp_path / f"turn{turn}"
        for name, content in first.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        assert not killed_before(partial(write_again, folder, 2), place)
        # Whoever opens the folder next brings to its end what was whole.
        finish_together(folder)
        inside, kept = reports_in(folder), reports_in(folder / "archive" / "2026Q3")
        # One report stands there, whole, and the first is nowhere lost: it stands, or is kept, or both.
        assert inside in ([1], [2]), turn
        assert kept in ([], [1]), turn
        assert 1 in (*inside, *kept), turn
        seen.add((*inside, *kept))
        write_again(folder, 2)
        assert tree(folder) == tree(quiet), turn
        # What was left unfinished is thrown away an hour later.
        for path in folder.rglob(".*"):
            os.utime(path, (0, 0))
        write_again(folder, 1)
        assert not [path for path in folder.rglob("*") if hidden(path.relative_to(folder))], turn
    assert {(1,), (1, 1), (2, 1)} <= seen, "killed before, between and after"
