"""What an attacker with a practice's files can do, and who would notice."""

import pytest

from tests.attacks.attacker import ATTACKS, chain_can_be_read, practice


@pytest.mark.parametrize("attack", ATTACKS, ids=lambda a: a.attempt.__name__)
def test_what_is_noticed_and_by_whom(tmp_path, attack):
    mine = practice(tmp_path / "practice")
    assert mine.verified("--head", mine.head) == ""
    told = attack.attempt(mine)
    assert bool(told) is attack.noticed, told
    if attack.otherwise == "head":
        # A printed page, or the coordinator to whom a file was sent, holds the head.
        assert "the ledger was cut or written anew" in mine.verified("--head", mine.head)


def test_the_earlier_way_gives_all_arms_away_and_the_door_says_so(tmp_path):
    mine = practice(tmp_path / "practice", way="chain")
    slips = [slip for slip in mine.arms if slip.startswith("P01")]
    assert chain_can_be_read(mine) == len(slips)
    told = mine.run("allocate", mine.protocol, "--into", tmp_path / "again", "--way", "chain", "--slips", "1").output
    assert "Whoever makes a copy of it can open the copy" in told
