"""Somebody who wants to look early, forget a slip or rewrite what happened, with a practice's files and a computer.

Run as a script, ``python -m tests.attacks.attacker``, it prints what still goes unnoticed, and by whom it would be.
Every attack works on a copy of a practice's folder in which slips were opened, and says what the software notices.
"""

import atexit
import csv
import itertools
import json
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.design.allocation.seal import chain_step, open_slip
from onsetstudy.files.ledger.ledger import ledger_path, read_ledger
from onsetstudy.files.sealed.envelopes import commitment_of
from onsetstudy.protocol.ledger import entry_line, make_entry, short_head
from tests.few_slips import short_list

ARMS = ("plain", "buffered")
OPENED = 4
EARLIER = "2001-01-01T00:00:00"


@dataclass(frozen=True)
class Practice:
    """A practice's folder: protocol, ledger, sealed file, log; and what others hold."""

    folder: Path
    head: str
    """Last entry as the last printed page quotes it."""
    passphrases: dict[str, str]
    """Inside the envelopes: not in the folder."""
    arms: dict[str, str]
    """The truth, with the keeper of the list."""

    @property
    def protocol(self):
        return self.folder / "mine.toml"

    @property
    def sealed(self):
        return self.folder / "sealed-P01.json"

    @property
    def log(self):
        return self.folder / "opened-P01.csv"

    def run(self, *arguments):
        return CliRunner().invoke(onsetstudy, [str(a) for a in arguments])

    def open(self, case, passphrase="", folder=None):
        sealed = self.sealed if folder is None else folder / self.sealed.name
        how = ["--level", "technique=ianb", "--protocol", (folder or self.folder) / "mine.toml"]
        return self.run("open-slip", sealed, "--case", case, *how, "--passphrase", passphrase)

    def verified(self, *more):
        """What the practice's own software says when it is asked."""
        told = self.run("ledger", self.protocol, "--against", self.folder, *more)
        return told.output if "Please look" in told.output else str(told.exception or "")


def practice(folder: Path, way: str = "passphrases") -> Practice:
    """A practice in which four slips were opened; made once for each way, and copied."""
    made = _first(way)
    shutil.copytree(made.folder, folder)
    return replace(made, folder=folder)


@cache
def _first(way: str) -> Practice:
    home = tempfile.mkdtemp()
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    return _made(Path(home) / "practice", way)


def _made(folder: Path, way: str) -> Practice:
    folder.mkdir(parents=True)
    keeper = folder.parent / f"{folder.name}-keeper"
    short_list(folder / "mine.toml", practices=("P01",))
    of_keeper = shutil.copy(folder / "mine.toml", folder.parent / f"{keeper.name}.toml")
    run = CliRunner().invoke
    assert run(onsetstudy, ["lock", str(folder / "mine.toml")]).exit_code == 0
    drawn = run(onsetstudy, ["allocate", str(of_keeper), "--into", str(keeper), "--slips", "12", "--way", way])
    assert drawn.exit_code == 0, drawn.output
    shutil.copy(keeper / "sealed-P01.json", folder)
    words = {}
    if way == "passphrases":
        shutil.copy(keeper / "commitments.json", folder)
        with open(keeper / "passphrases.csv", encoding="utf-8") as file:
            words = {row["slip"]: row["passphrase"] for row in csv.DictReader(file)}
    with open(keeper / "list.csv", encoding="utf-8") as file:
        arms = {row["slip"]: row["arm"] for row in csv.DictReader(file)}
    mine = Practice(folder=folder, head="", passphrases=words, arms=arms)
    for k in range(1, OPENED + 1):
        told = mine.open(f"P01-000{k}", words.get(f"P01-1-00{k}", ""))
        assert told.exit_code == 0, (told.output, told.exception)
    head = short_head(read_ledger(ledger_path(mine.protocol)))
    return Practice(folder=folder, head=head, passphrases=words, arms=arms)


def sealed_slips(mine):
    content = json.loads(mine.sealed.read_text())
    return content, [s for place in content["strata"].values() for s in place["slips"]]


def read_arms(mine: Practice) -> str:
    """Try every arm against its commitment, without the nonce that lies in the slip, and every plain text."""
    _, slips = sealed_slips(mine)
    guessed = 0
    for slip, arm, nonce in itertools.product(slips, ARMS, ("", "0" * 32, slips[0]["salt"])):
        told = {"slip": slip["slip"], "arms": [arm], "sides": [], "nonce": nonce}
        guessed += commitment_of(told) == slip["commitment"]
    text = mine.sealed.read_text()
    lengths = len({len(s["sealed"]) for s in slips})
    read = any(arm in text for arm in ARMS) or guessed or lengths > 1
    return "" if read else "no arm can be read: the nonce and the passphrase lie in the envelope"


def open_a_copy(mine: Practice) -> str:
    """Open the next slip in a copy of the folder, where no trace is left, without its envelope."""
    copy = mine.folder.parent / f"{mine.folder.name}-copy"
    shutil.copytree(mine.folder, copy)
    told = mine.open("P01-0099", passphrase=mine.passphrases["P01-1-004"], folder=copy)
    return str(told.exception or "")


def exchange_slips(mine: Practice) -> str:
    """Lay a later slip in the place of the next, its passphrase being known."""
    content, _ = sealed_slips(mine)
    slips = content["strata"]["P01 | ianb"]["slips"]
    slips[4], slips[5] = {**slips[5], "slip": slips[4]["slip"]}, {**slips[4], "slip": slips[5]["slip"]}
    mine.sealed.write_text(json.dumps(content))
    return str(mine.open("P01-0005", mine.passphrases["P01-1-006"]).exception or "")


def two_slips_for_a_case(mine: Practice) -> str:
    """Ask again for a case under other capitals, for a slip that suits better."""
    told = mine.open("p01-0003", mine.passphrases["P01-1-005"]).output
    return told.splitlines()[0] if "Opened before" in told else ""


def truncate_log(mine: Practice) -> str:
    """Take the last opening out of the log, and go on."""
    lines = mine.log.read_text().splitlines(keepends=True)
    mine.log.write_text("".join(lines[:-1]))
    return str(mine.open("P01-0005", mine.passphrases["P01-1-004"]).exception or "")


def delete_log(mine: Practice) -> str:
    """Delete the log, and begin again."""
    mine.log.unlink()
    return str(mine.open("P01-0005", mine.passphrases["P01-1-001"]).exception or "")


def change_an_arm(mine: Practice) -> str:
    """Write the other arm into the log, and compute its chain anew."""
    rows = logged(mine)
    rows[1]["arms"] = next(a for a in ARMS if a != rows[1]["arms"])
    write_log_anew(mine, rows)
    return mine.verified()


def logged(mine: Practice) -> list[dict[str, str]]:
    """Lines of the log."""
    with open(mine.log, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_log_anew(mine: Practice, rows: list[dict[str, str]]) -> None:
    """Write the log with these lines, its chain computed anew."""
    link = json.loads(mine.sealed.read_text())["protocol"]
    for row in rows:
        link = row["chain"] = chain_step(link, {k: v for k, v in row.items() if k != "chain"})
    with open(mine.log, "w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, rows[0], lineterminator="\n")
        out.writeheader()
        out.writerows(rows)


def set_clock_back(mine: Practice) -> str:
    """Enter something with the clock a year back."""
    path = ledger_path(mine.protocol)
    entries = list(read_ledger(path))
    entries.append(make_entry(entries, "paused", {"reason": "x."}, at="2001-01-01T00:00:00+00:00"))
    path.write_text("".join(map(entry_line, entries)))
    told = mine.run("ledger", mine.protocol).output
    return "The clock had run back." if "The clock had run back." in told else ""


def edit_ledger(mine: Practice) -> str:
    """Change a word in the ledger."""
    path = ledger_path(mine.protocol)
    path.write_text(path.read_text().replace("P01-0002", "P01-0092"))
    return mine.verified()


def cut_ledger_and_log(mine: Practice) -> str:
    """Cut ledger and log at the same opening: inside the practice nothing disagrees."""
    for path in (mine.log, ledger_path(mine.protocol)):
        lines = path.read_text().splitlines(keepends=True)
        path.write_text("".join(lines[:-1]))
    return mine.verified()


def recompute_ledger(mine: Practice) -> str:
    """Write the ledger anew from its beginning, with other content."""
    path = ledger_path(mine.protocol)
    lines, new = {row["slip"]: row["chain"] for row in logged(mine)}, []
    for entry in read_ledger(path):
        told = {"opened_at": EARLIER, "line": lines[entry.body["slip"]]} if entry.kind == "slip_opened" else {}
        body = {**entry.body, **told}
        new.append(make_entry(new, entry.kind, {k: v for k, v in body.items() if k != "clock_back"}, at=entry.at))
    path.write_text("".join(map(entry_line, new)))
    return mine.verified()


def recompute_ledger_and_log(mine: Practice) -> str:
    """Write ledger and log anew, each with the same other times of opening."""
    write_log_anew(mine, [{**row, "opened_at": EARLIER} for row in logged(mine)])
    return recompute_ledger(mine)


def break_an_envelope(mine: Practice) -> str:
    """Open the next envelope and a copy of the folder with it, and close another envelope over the passphrase."""
    copy = mine.folder.parent / f"{mine.folder.name}-steam"
    shutil.copytree(mine.folder, copy)
    told = mine.open("P01-0098", mine.passphrases["P01-1-005"], folder=copy)
    assert "Slip P01-1-005" in told.output
    return mine.verified()


@dataclass(frozen=True)
class Attack:
    """What is tried, whether the practice's own software has to notice, and who notices otherwise."""

    attempt: Callable[[Practice], str]
    noticed: bool
    otherwise: str = ""


ATTACKS = (
    Attack(read_arms, True),
    Attack(open_a_copy, True),
    Attack(exchange_slips, True),
    Attack(two_slips_for_a_case, True),
    Attack(truncate_log, True),
    Attack(delete_log, True),
    Attack(change_an_arm, True),
    Attack(set_clock_back, True),
    Attack(edit_ledger, True),
    Attack(cut_ledger_and_log, False, "head"),
    Attack(recompute_ledger, True, "head"),
    Attack(recompute_ledger_and_log, False, "head"),
    Attack(break_an_envelope, False, "whoever looks at the envelopes"),
)


def chain_can_be_read(mine: Practice) -> int:
    """How many arms of a file whose keys lie in the slips before can be read by whoever has it."""
    content = json.loads(mine.sealed.read_text())
    told = {
        slip["slip"]: open_slip(place["slips"], k, first_key=place["key"])["arms"][0]
        for place in content["strata"].values()
        for k, slip in enumerate(place["slips"], start=1)
    }
    return sum(mine.arms[slip] == arm for slip, arm in told.items())


def main() -> None:
    """Try everything, and say what went unnoticed."""
    root = Path(tempfile.mkdtemp())
    for number, attack in enumerate(ATTACKS):
        mine = practice(root / f"p{number}")
        try:
            told = attack.attempt(mine)
        except OnsetStudyError as error:
            told = str(error)
        what = (attack.attempt.__doc__ or "").strip()
        noticed = f"noticed: {told.strip()}" if told else f"NOT noticed by the practice; by: {attack.otherwise}"
        print(f"{what}\n    {noticed}")
    shutil.rmtree(root)


if __name__ == "__main__":
    main()
