"""Were the arms alike? Standardised differences of everything recorded, as they are and weighted."""

from __future__ import annotations

from onsetstudy.adjustment.results import BalanceRow, FairComparison
from onsetstudy.report.figures import canvas
from onsetstudy.report.figures.canvas import HAIRLINE, INK, SECONDARY, ArmLook, Drawing, Sheet
from onsetstudy.report.names import field_name, plain_words

ROW, FOOT = 0.19, 0.46
MOST_ROWS = 24
ALIKE = 0.1


def data_for(fair: FairComparison) -> list[BalanceRow]:
    """The levels, the most unlike first; at most ``MOST_ROWS``."""
    return sorted(fair.balance, key=lambda b: (-abs(b.before), b.covariate, b.level))[:MOST_ROWS]


def _name(b: BalanceRow) -> str:
    return field_name(b.covariate) + ("" if b.level == "measure" else f": {plain_words(b.level)}")


def draw(rows: list[BalanceRow], ax: canvas.Axes, *, look: ArmLook) -> None:
    """Open dots as they are, filled ones weighted; between the hairlines arms count as alike."""
    for edge in (-ALIKE, ALIKE):
        ax.axvline(edge, color=HAIRLINE, linewidth=1.0)
    ax.axvline(0, color=INK, linewidth=1.0)
    for place, row in enumerate(rows):
        y = len(rows) - place - 0.5
        ax.hlines(y, row.after, row.before, color=HAIRLINE, linewidth=1.0)
        ArmLook(SECONDARY, "-", "o", filled=False).dots(ax, row.before, y, size=6, edge=1.4)
        ArmLook(look.colour, "-", "o", filled=True).dots(ax, row.after, y, size=6)
    reach = max(0.3, 1.1 * max(abs(v) for row in rows for v in (row.before, row.after)))
    ax.set(ylim=(0, len(rows)), xlim=(-reach, reach))
    canvas.bare_left(ax)
    canvas.signed(ax.xaxis)


def alt_text(rows: list[BalanceRow]) -> str:
    """What the figure shows, in words."""
    told = "; ".join(f"{_name(row)} {row.before:.2f}, weighted {row.after:.2f}" for row in rows)
    return f"Standardised differences between the arms. {told}.".replace(" -", " minus ")


def draw_figure(fair: FairComparison, *, look: ArmLook) -> Drawing:
    """Balance before and after weighting."""
    rows = data_for(fair)

    def fill(sheet: Sheet) -> None:
        left, longest = (1.75, 25) if sheet.narrow else (2.6, 43)
        ax = sheet.axes(left, FOOT, sheet.width - left - 0.1, ROW * len(rows))
        draw(rows, ax, look=look)
        for place, row in enumerate(rows):
            text = _name(row) if len(_name(row)) <= longest else f"{_name(row)[: longest - 1]}…"
            sheet.say(0, FOOT + ROW * (len(rows) - place - 0.5), text, fontsize=8)
        canvas.named_axes(ax, "standard deviations")

    return Drawing(alt_text(rows), height=ROW * len(rows) + FOOT + 0.05, fill=fill)
