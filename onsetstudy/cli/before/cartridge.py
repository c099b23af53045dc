"""``onsetstudy cartridge``."""

from __future__ import annotations

import math
import textwrap
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from onsetstudy.cli.options import Amount
from onsetstudy.protocol.vocabulary import CODES, USE_AT_ONCE

if TYPE_CHECKING:
    from onsetstudy.doses.free_base import PKa
    from onsetstudy.doses.results import LimitUsed, Mixture

WIDTH = 100
ROWS = (
    ("volume, mL", "volume_ml", 2),
    ("drug, mg", "drug_mg", 1),
    ("drug, mg/mL", "drug_mg_per_ml", 3),
    ("vasoconstrictor, µg", "vasoconstrictor_ug", 1),
    ("vasoconstrictor, µg/mL", "vasoconstrictor_ug_per_ml", 3),
    ("bicarbonate, mmol/L", "bicarbonate_mmol_per_l", 2),
    ("parts of anaesthetic to one of bicarbonate", "parts_to_one", 1),
)


@click.command("cartridge")
@click.argument("cartridge_ml", type=Amount(), metavar="CARTRIDGE_ML")
@click.argument("bicarbonate_ml", type=Amount(), metavar="BICARBONATE_ML")
@click.option("--mode", type=click.Choice(("add", "replace")), required=True,
              help="Bicarbonate on top (add), or in place of the same volume drawn out first (replace).")  # fmt: skip
@click.option("--agent", type=click.Choice(CODES["agent"]), default="lidocaine", show_default=True)
@click.option("--percent", type=Amount(), help="Strength of the anaesthetic, %  [default: the agent's usual one]")
@click.option("--vasoconstrictor", type=click.Choice(("none", "epinephrine", "levonordefrin")), default="epinephrine",
              show_default=True)  # fmt: skip
@click.option("--dilution", type=Amount(), help="n of the dilution 1:n  [default: 100000, levonordefrin 20000]")
@click.option(
    "--bicarbonate-percent", type=Amount(), default=8.4, show_default=True, help="Strength of the bicarbonate."
)
@click.option("--since-mixing", type=Amount(0), help="Minutes from mixing to injecting.")
@click.option("--ph", type=Amount(), help="Measured pH of your own mixture, for the free-base illustration.")
@click.option("--pka", type=Amount(), help="pKa to use instead of that of teaching tables; with --temperature.")
@click.option("--temperature", type=Amount(), help="Temperature of that pKa, degrees Celsius.")
@click.option("--weight", type=Amount(10, 300), help="Weight in kg: shows limits of dose. Not a dosing tool.")
@click.option("--age-band", type=click.Choice(CODES["age_band"]), help="Age, for limits and rules of children.")
@click.option("--country", type=click.Choice(CODES["dose_country"]), default="US", show_default=True,
              help="Whose labels.")  # fmt: skip
@click.option("--limits", type=click.Path(path_type=Path, dir_okay=False),
              help="Table of dose limits  [default: the one that comes with the package]")  # fmt: skip
def cartridge(
    cartridge_ml: float,
    bicarbonate_ml: float,
    mode: str,
    agent: str,
    percent: float | None,
    vasoconstrictor: str,
    dilution: float | None,
    bicarbonate_percent: float,
    since_mixing: float | None,
    ph: float | None,
    pka: float | None,
    temperature: float | None,
    weight: float | None,
    age_band: str | None,
    country: str,
    limits: Path | None,
) -> None:
    """Work out what a cartridge of CARTRIDGE_ML holds once BICARBONATE_ML is mixed in.

    Arithmetic of volumes and amounts, the percentage of free base as an illustration, and cautions. No pH and no
    minutes are predicted. This is not a dosing tool.
    """
    from onsetstudy.doses.cartridge import USUAL_DILUTION, Preparation, mix, usual_percent
    from onsetstudy.doses.free_base import PKa, pka_of
    from onsetstudy.doses.mixing import refuse_precipitate

    if (pka is None) != (temperature is None):
        raise click.UsageError("Give --pka and --temperature together: a pKa holds at one temperature.")
    none = vasoconstrictor == "none"
    diluted = math.inf if none else USUAL_DILUTION[vasoconstrictor] if dilution is None else dilution
    percent = usual_percent(agent, vasoconstrictor) if percent is None else percent
    preparation = Preparation(
        cartridge_ml=cartridge_ml,
        agent_percent=percent,
        mode=["none", mode],
        bicarbonate_ml=[0.0, bicarbonate_ml],
        bicarbonate_percent=bicarbonate_percent,
        dilution=diluted,
    )
    mixture = mix(preparation)
    refuse_precipitate(agent, bicarbonate_ml / cartridge_ml)
    with_what = "without a vasoconstrictor" if none else f"with {vasoconstrictor} 1:{diluted:,.0f}"
    how = "added on top" if mode == "add" else "in place of as much anaesthetic"
    click.echo(f"{cartridge_ml:g} mL of {agent} {percent:g} % {with_what}, {bicarbonate_ml:g} mL of "
               f"{bicarbonate_percent:g} % sodium bicarbonate {how}.")  # fmt: skip
    if percent != (usual := usual_percent(agent, vasoconstrictor)):
        _wrapped(
            f"The usual strength of {agent} {with_what.partition(' 1')[0]} is {usual:g} %: check the label of yours."
        )
    click.echo("")
    _say_mixture(mixture)
    constant = pka_of(agent)
    if pka is not None and temperature is not None:
        constant = PKa(agent=agent, pka=pka, temperature_c=temperature, source="stated on the command line")
    _say_free_base(agent, none, constant, ph)
    if weight is not None or age_band is not None or limits is not None:
        codes = {"agent": agent, "vasoconstrictor": vasoconstrictor, "age_band": age_band or ""}
        known = {"cartridge_ml": cartridge_ml, "agent_percent": percent, "weight_kg": weight or math.nan}
        _say_limits(codes, known, mixture, limits, country)
    _say_cautions(agent, bicarbonate_ml / cartridge_ml, bicarbonate_percent, since_mixing)


def _wrapped(text: str) -> None:
    click.echo(textwrap.fill(text, WIDTH))


def _say_mixture(mixture: Mixture) -> None:
    click.echo(f"{'':44}{'as packed':>12}{'mixed':>12}")
    for label, name, places in ROWS:
        cells = [f"{v:.{places}f}" if v < float("inf") else "-" for v in getattr(mixture, name)]
        click.echo(f"{label:44}{cells[0]:>12}{cells[1]:>12}")
    packed, mixed = (float(v) for v in mixture.drug_mg)
    if mixed < packed:
        _wrapped(f"The mixed cartridge holds {100 * (1 - mixed / packed):.0f} % less drug than the packed one: compare "
                 "arms on the milligrams deposited.")  # fmt: skip
    else:
        _wrapped("The mixed cartridge holds the same drug in more volume: it takes all of it to give the same dose.")


def _say_free_base(agent: str, none: bool, constant: PKa, ph: float | None) -> None:
    from onsetstudy.doses.free_base import TISSUE_PH, illustrate_free_base, published_ph

    own = () if ph is None else (("your mixture, as measured", ph),)
    found = illustrate_free_base((*published_ph(agent, none), TISSUE_PH, *own), constant)
    where = "temperature not stated" if found.temperature_c is None else f"at {found.temperature_c:g} degrees"
    click.echo("")
    click.echo(f"Free base, an illustration (pKa {found.pka:g}, {where}):")
    for name, value, percent in found.rows:
        digits = f"{percent:.4f}" if percent < 1 else f"{percent:.1f}"
        click.echo(f"  {name}, pH {value:g}: {digits} %")
    for caution in found.caution:
        _wrapped(caution.text)
    _wrapped(f"pKa: {found.source}.")


def _say_limits(
    codes: dict[str, str], known: dict[str, float], mixture: Mixture, limits: Path | None, country: str
) -> None:
    from onsetstudy.doses.dose_check import AGE_BANDS, DoseCases
    from onsetstudy.doses.limits import ADULT_YEARS, EU_TEXT
    from onsetstudy.doses.one_cartridge import PERHAPS_A_CHILD_KG, cartridge_limits
    from onsetstudy.files.sources.dated_tables import read_dose_limits

    held = {"drug_mg": float(mixture.drug_mg[1]), "vasoconstrictor_mg": float(mixture.vasoconstrictor_ug[1]) / 1000}
    table = replace(read_dose_limits(limits), country=country)
    found = cartridge_limits(DoseCases.single({**codes, **known, **held}), table)
    agent, vasoconstrictor, band = codes["agent"], codes["vasoconstrictor"], codes["age_band"]
    weight = known["weight_kg"]
    at = f"at {weight:g} kg" if weight == weight else "without a weight, absolute limits only"
    age = f"age {band}" if band else f"age not given, so {'as of' if found.age_unknown else 'none of'} children"
    click.echo("")
    click.echo(f"Limits {at}, {age}, table dated {table.date}. This is not a dosing tool.")
    if country in EU_TEXT:
        click.echo(EU_TEXT[country])
    label = f"label of {country}{' or EU product text' if country in EU_TEXT else ''}"
    what = {"label": label, "conservative": "line of any list"}
    for name, used in found.drug:
        none = f"{agent}: not checked, no {what[name]} covers this solution, age and weight"
        _say_limit(used, held["drug_mg"], found.child, none)
    if vasoconstrictor != "none":
        young = found.child or (band and AGE_BANDS[band][1] < ADULT_YEARS)
        why = f"no amount for children under {ADULT_YEARS} years was found" if young else "the table has no line for it"
        none = f"{vasoconstrictor}: not checked, {why}"
        _say_limit(found.vasoconstrictor, held["vasoconstrictor_mg"], found.child, none)
    for line in found.heart:
        click.echo(f"  {line.substance} in significant heart disease: {line.max_mg:.4g} mg ({line.source})")
    for rule in found.rules:
        click.echo(f"  {rule.text[:1].upper()}{rule.text[1:]} ({rule.source})")
    if found.age_unknown:
        _wrapped(f"Under {PERHAPS_A_CHILD_KG:g} kg this may be a child (common practice, no source): give --age-band. "
                 "Until then no amount for adults counts, and none is told in cartridges.")  # fmt: skip
    _wrapped("The lowest limit that applies counts, drug and vasoconstrictor alike. Check the label and the patient.")
    for text in dict.fromkeys(flag.text for flag in found.flags):
        _wrapped(f"One such cartridge: {text}")


def _say_limit(used: LimitUsed | None, held: float, child: bool, none: str) -> None:
    """A limit in mg, and in cartridges that hold so much where the patient is not a child; or why there is none."""
    if used is None:
        click.echo(f"  {none}")
        return
    # Rounded down: a tenth of a cartridge more would pass the limit.
    tenths = 0 if held == 0 else math.floor(10 * used.max_mg / held + 1e-6)
    cartridges = f", as much as {tenths / 10:.1f} such cartridges hold" if tenths and not child else ""
    text = f"{used.substance}: {used.max_mg:.4g} mg{cartridges} ({used.text}; {used.source})"
    click.echo(textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="    "))


def _say_cautions(agent: str, ratio: float, bicarbonate_percent: float, since_mixing: float | None) -> None:
    from onsetstudy.doses.mixing import WEAK_PERCENT, check_mixing

    if bicarbonate_percent < WEAK_PERCENT:
        click.echo("")
        _wrapped(f"Bicarbonate of {bicarbonate_percent:g} % is weaker than any label found for cartridges "
                 f"(4.2 % and more): perhaps not buffered.")  # fmt: skip

    click.echo("")
    for _, flag in check_mixing(agent, ratio, math.nan if since_mixing is None else since_mixing):
        _wrapped(flag.text)
    _wrapped(f"{USE_AT_ONCE} or if there are particles.")
