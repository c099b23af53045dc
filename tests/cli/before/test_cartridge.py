"""The cartridge on the command line: numbers of the tables, an illustration that says so, cautions every time."""

from __future__ import annotations

import re

import click
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError, RecordsError


def run(*arguments):
    found = CliRunner().invoke(onsetstudy, ["cartridge", *arguments], standalone_mode=False)
    if found.exception is not None and not isinstance(found.exception, SystemExit):
        raise found.exception
    return found.output


def numbers(output, label):
    line = next(line for line in output.splitlines() if line.startswith(label))
    return re.findall(r"-|\d+\.\d+", line[44:])


def test_the_mixture_is_that_of_the_dilution_table(reference):
    ref = reference("cartridge_dilution")
    output = run("1.8", "0.18", "--mode", "replace")
    for label, name in (
        ("volume, mL", "volume_ml"), ("drug, mg ", "drug_mg"), ("drug, mg/mL", "drug_mg_per_ml"),
        ("vasoconstrictor, µg ", "vasoconstrictor_ug"), ("vasoconstrictor, µg/mL", "vasoconstrictor_ug_per_ml"),
        ("bicarbonate, mmol/L", "bicarbonate_mmol_per_l"),
    ):  # fmt: skip
        ref.check(f"1.8 0.18 replace: {name}", float(numbers(output, label)[1]))
    assert "holds 10 % less drug than the packed one" in output
    assert numbers(output, "parts of anaesthetic") == ["-", "9.0"]


def test_what_a_label_and_the_strictest_list_say_alike_of_one_cartridge_is_said_once():
    output = run("1.8", "0.18", "--mode", "add", "--agent", "articaine", "--weight", "10")
    assert output.count("One such cartridge: 72 mg of articaine is more than 70 mg, the lowest limit that applies") == 1


def test_a_table_without_a_line_for_a_vasoconstrictor_is_not_said_to_lack_one_for_children(tmp_path):
    table = tmp_path / "mine.toml"
    line = 'substance = "lidocaine"\nlist = "label"\nmax_mg = 500.0\nsource = "s"\nlabel = "found"'
    table.write_text(f'title = "t"\ndate = "2026-11-26"\n\n[[limit]]\n{line}\n', encoding="utf-8")
    asked = ("1.8", "0.18", "--mode", "add", "--limits", str(table), "--age-band")
    assert "epinephrine: not checked, the table has no line for it" in run(*asked, "18-39")
    assert "epinephrine: not checked, no amount for children under 18 years was found" in run(*asked, "12-17")


def test_a_decimal_comma_is_a_point():
    assert run("1,8", "0,18", "--mode", "add", "--percent", "2,0") == run("1.8", "0.18", "--mode", "add")
    with pytest.raises(click.BadParameter, match=r"'one' is not a number; write it as 1\.8"):
        run("one", "0.18", "--mode", "add")


def test_every_answer_says_what_it_is_not():
    output = run("1.7", "0.17", "--mode", "add")
    assert "An illustration of the chemistry, never a prediction of minutes" in output
    assert "The pH of your own mixture is not predicted" in output
    assert "temperature not stated" in output
    assert "may be regulated where you work" in output
    assert "Limits" not in output
    assert "safe" not in output.lower()
    assert "as published, pH 7.31: 20.4 %" in output


def test_a_weight_shows_limits_with_their_date_and_source():
    output = " ".join(run("1.8", "0.18", "--mode", "add", "--weight", "70", "--age-band", "18-39").split())
    assert "Limits at 70 kg, age 18-39, table dated 2026-11-26. This is not a dosing tool." in output
    assert "lidocaine: 490 mg, as much as 13.6 such cartridges hold (label (US), 7 mg/kg; US label of" in output
    assert "epinephrine: 0.2 mg, as much as 11.1 such cartridges hold" in output
    european = run("1.8", "0.18", "--mode", "add", "--weight", "80", "--age-band", "18-39", "--country", "EU")
    # 500 mg are 13.89 cartridges of 36 mg: 13.9 would pass the limit.
    assert "lidocaine: 500 mg, as much as 13.8 such cartridges hold (label (EU)" in european
    for country in ("UK", "DE"):
        found = run("1.8", "0.18", "--mode", "add", "--weight", "80", "--age-band", "18-39", "--country", country)
        [told] = set(found.splitlines()) - set(european.splitlines())
        name = {"UK": "the United Kingdom", "DE": "Germany"}[country]
        assert told == f"Where the table has no label of {name}, the EU product text counts."
        asked = ("--weight", "70", "--agent", "mepivacaine", "--vasoconstrictor", "levonordefrin", "--country", country)
        none = run("1.8", "0.18", "--mode", "add", *asked)
        assert f"mepivacaine: not checked, no label of {country} or EU product text covers this solution" in none
    without = run("1.8", "0.18", "--mode", "add", "--age-band", "18-39")
    assert "without a weight, absolute limits only" in without
    assert "lidocaine: 500 mg" in without


@pytest.mark.parametrize("age", [("--age-band", "4-11"), ()])
def test_a_child_gets_no_count_of_cartridges_and_no_adult_line(age):
    output = " ".join(run("1.8", "0.18", "--mode", "add", "--weight", "20", "--dilution", "400000", *age).split())
    assert "lidocaine: 140 mg (label (US), 7 mg/kg" in output
    assert "such cartridges hold" not in output
    assert "0.2 mg" not in output
    # A usual dose is no limit, and is not told as the lowest of those before it.
    assert "the lowest limit that applies:" not in output
    assert "36 mg of lidocaine is more than the 18 mg that children usually need" in output
    # Neither does a label's amount for adults count: the European text has no other.
    european = " ".join(run("1.8", "0.18", "--mode", "add", "--weight", "20", "--country", "EU", *age).split())
    assert "lidocaine: not checked, no label of EU covers this solution, age and weight" in european
    assert "500 mg" not in european
    assert "epinephrine: not checked, no amount for children under 18 years was found" in output
    assert "hildren under 10 years rarely need more than half a cartridge" in output
    assert ("give --age-band" in output) == (not age)


def test_without_a_vasoconstrictor_no_acid_cartridge_is_shown():
    output = run("1.8", "0.18", "--mode", "add", "--vasoconstrictor", "none")
    assert "3.85" not in output
    assert "epinephrine" not in output
    assert "pH 6.5" in output


@pytest.mark.parametrize(("strength", "said"), [("1.4", True), ("4.2", False), ("8.4", False)])
def test_weak_bicarbonate_is_perhaps_no_buffering(strength, said):
    assert ("perhaps not" in run("1.8", "0.18", "--mode", "add", "--bicarbonate-percent", strength)) == said


def test_a_measured_ph_and_a_stated_pka_are_used():
    output = run("1.8", "0.18", "--mode", "add", "--ph", "7.6", "--pka", "7.6", "--temperature", "36")
    assert "(pKa 7.6, at 36 degrees)" in output
    assert "your mixture, as measured, pH 7.6: 50.0 %" in output


@pytest.mark.parametrize(
    ("arguments", "error", "words"),
    [
        (("18", "0.18", "--mode", "add"), DesignError, "18 mL of cartridge cannot be. Give a number from 1 to 2.5."),
        (("1.8", "0", "--mode", "add"), DesignError, "the mode is add, but there is no bicarbonate"),
        (("1.8", "0.18", "--mode", "add", "--agent", "bupivacaine", "--percent", "0.5"), DesignError, "precipitates"),
        (("1.8", "0.18", "--mode", "add", "--ph", "70"), DesignError, "70 is not a pH"),
        (("1.8", "0.18", "--mode", "add", "--limits", "nowhere.toml"), RecordsError, "there is no file nowhere.toml"),
    ],
)
def test_what_cannot_be_is_refused_with_its_mend(arguments, error, words):
    with pytest.raises(error) as told:
        run(*arguments)
    assert words in str(told.value)


def test_a_pka_without_its_temperature_is_not_understood():
    found = CliRunner().invoke(onsetstudy, ["cartridge", "1.8", "0.18", "--mode", "add", "--pka", "7.7"])
    assert found.exit_code == 2
    assert "a pKa holds at one temperature" in found.output


def test_cautions_about_the_mixture_are_told():
    late = run("1.8", "0.18", "--mode", "add", "--agent", "mepivacaine", "--percent", "3", "--vasoconstrictor", "none",
               "--since-mixing", "20")  # fmt: skip
    assert "Mepivacaine may cloud" in late
    assert "without a vasoconstrictor" in late
    assert numbers(late, "vasoconstrictor, µg ") == ["0.0", "0.0"]


def test_levonordefrin_has_its_own_usual_dilution():
    output = run("1.8", "0.18", "--mode", "add", "--agent", "mepivacaine", "--vasoconstrictor", "levonordefrin")
    assert "with levonordefrin 1:20,000" in output
    assert numbers(output, "vasoconstrictor, µg ") == ["90.0", "90.0"]


@pytest.mark.parametrize(
    ("ml", "more"), [("nan", ()), ("1.8", ("--since-mixing", "inf")), ("1.8", ("--pka", "7.8", "--temperature", "nan"))]
)
def test_what_is_not_a_number_is_not_understood(ml, more):
    found = CliRunner().invoke(onsetstudy, ["cartridge", ml, "0.18", "--mode", "add", *more])
    assert found.exit_code == 2
    assert f"'{[ml, *more][-1 if more else 0]}' is not an amount" in found.output


def test_every_number_may_have_a_decimal_comma_and_has_its_range():
    comma = run("1,8", "0,18", "--mode", "add", "--weight", "70,5", "--dilution", "100000,0", "--since-mixing", "1,5")
    assert comma == run(
        "1.8", "0.18", "--mode", "add", "--weight", "70.5", "--dilution", "100000", "--since-mixing", "1.5"
    )
    with pytest.raises(click.BadParameter, match="7 is not from 10 to 300"):
        run("1.8", "0.18", "--mode", "add", "--weight", "7")
    with pytest.raises(click.BadParameter, match="nan is not from 10 to 300"):
        run("1.8", "0.18", "--mode", "add", "--weight", "nan")


@pytest.mark.parametrize(
    ("agent", "vasoconstrictor", "milligrams"),
    [("lidocaine", "epinephrine", "36.0"), ("articaine", "epinephrine", "72.0"), ("prilocaine", "none", "72.0"),
     ("mepivacaine", "none", "54.0"), ("mepivacaine", "levonordefrin", "36.0")],
)  # fmt: skip
def test_an_agent_has_its_own_usual_strength(agent, vasoconstrictor, milligrams):
    """1.8 mL of the strength on the label; one that was not asked for would count too many cartridges as allowed."""
    asked = ("1.8", "0.18", "--mode", "add", "--agent", agent, "--vasoconstrictor", vasoconstrictor)
    output = run(*asked)
    assert numbers(output, "drug, mg ")[0] == milligrams
    assert "usual strength" not in output
    strange = " ".join(run(*asked, "--percent", "1").split())
    assert f"The usual strength of {agent} with" in strange
    assert "check the label of yours" in strange
