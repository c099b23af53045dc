"""What every figure shares: ink, the codes of the arms, two widths, and the way from axes to SVG text."""

from __future__ import annotations

import io
import itertools
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from onsetstudy.report.lazy_text import Painted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "HAIRLINE",
    "INK",
    "NARROW",
    "POINTS",
    "SECONDARY",
    "WIDE",
    "ArmLook",
    "Drawing",
    "axes_at",
    "canvas",
    "drawing",
    "look_of",
    "say",
    "spread",
    "to_svg",
]

INK, SECONDARY, HAIRLINE = "#1d2126", "#5a6068", "#c9ced4"
STYLE = Path(__file__).parents[1] / "render" / "style" / "report.mplstyle"
# Inches: the text width of a page of A4 with margins of 20 mm, so that a point is a point; and of a hand-held screen.
WIDE, NARROW = 6.69, 3.45
POINTS = 72


@dataclass(frozen=True, slots=True)
class ArmLook:
    """Colour, line and marker of an arm: three codes, so that any one may be lost."""

    colour: str
    line: str | tuple[int, tuple[float, ...]]
    marker: str
    filled: bool

    @property
    def face(self) -> str:
        """Inside of the marker."""
        return self.colour if self.filled else "#ffffff"


# The reference arm, the arm compared with it, and more arms: markers and lines before colours.
LOOKS = (
    ArmLook("#8c5a1e", (0, (4.0, 2.0)), "o", False),
    ArmLook("#155e75", "-", "o", True),
    ArmLook("#5a6068", (0, (1.0, 1.4)), "s", False),
    ArmLook("#1d2126", (0, (5.0, 1.5, 1.0, 1.5)), "^", True),
)


def look_of(arm: str, arms: Sequence[str]) -> ArmLook:
    """Look of an arm by its place among the arms of the protocol, reference first."""
    return LOOKS[min(arms.index(arm), len(LOOKS) - 1)]


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """A figure for a page and for a narrow screen, and in words; each form is painted when it is first asked for."""

    svg: Painted = Painted()  # noqa: RUF009 - a descriptor, not a default
    narrow: Painted = Painted()  # noqa: RUF009
    alt: str


@contextmanager
def canvas(width: float, height: float) -> Iterator[Figure]:
    """A figure of a size in inches under the house style."""
    import matplotlib

    matplotlib.use("agg")
    from matplotlib import style
    from matplotlib.figure import Figure

    with style.context(str(STYLE)):
        yield Figure(figsize=(width, height))


def axes_at(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Axes at a place in inches from the lower left corner."""
    across, up = figure.get_size_inches()
    return figure.add_axes((left / across, bottom / up, width / across, height / up))


def say(figure: Figure, left: float, bottom: float, text: str, **style: object) -> None:
    """Text at a place in inches from the lower left corner."""
    across, up = figure.get_size_inches()
    figure.text(left / across, bottom / up, text, **{"va": "center", **style})  # type: ignore[arg-type]


def spread(places: Sequence[float], least: float) -> list[float]:
    """Places moved apart, in their order, until neighbours are at least ``least`` from each other."""
    order = sorted(range(len(places)), key=lambda i: places[i])
    moved = [float(p) for p in places]
    for _ in range(len(places)):
        for i, j in itertools.pairwise(order):
            lack = least - (moved[j] - moved[i])
            if lack > 1e-9:
                moved[i] -= lack / 2
                moved[j] += lack / 2
    return moved


def drawing(paint: Callable[[str, bool], str], name: str, alt: str) -> Drawing:
    """Both forms of a figure; ``paint(name, narrow)`` gives SVG text."""
    return Drawing(svg=lambda: paint(name, False), narrow=lambda: paint(f"{name}-narrow", True), alt=alt)


def to_svg(figure: Figure, name: str, title: str, alt: str) -> str:
    """SVG text, the same for the same figure: fixed ids, no date; titled for those who cannot see it."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.S)
    # A style sheet inside one drawing would reach the whole page: its two properties stand on the drawing instead.
    text = re.sub(r"<defs>\s*<style[^>]*>.*?</style>\s*</defs>\s*", "", text, flags=re.S)
    text = re.sub(r' transform="rotate\(-0 [^"]*"', "", text)
    # Ids are unique on a page that holds several figures.
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'(xlink:href|href)="#([^"]+)"', rf'\1="#{name}-\2"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    lines = 'stroke-linejoin="round" stroke-linecap="butt"'
    labelled = f'role="img" aria-labelledby="{name}-title {name}-desc"'
    words = f'<title id="{name}-title">{_escaped(title)}</title><desc id="{name}-desc">{_escaped(alt)}</desc>'
    return re.sub(r"<svg([^>]*)>", rf"<svg\1 {lines} {labelled}>{words}", text, count=1)


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("\\", "\\\\")
