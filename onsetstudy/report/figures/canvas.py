"""What every figure shares: ink, the codes of the arms, two widths, words beside marks, from axes to SVG text."""

from __future__ import annotations

import html
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Figure as Block
from onsetstudy.report.numbers import MINUS, THIN

if TYPE_CHECKING:
    # Figures annotate with canvas.Axes: the library itself is loaded when something is drawn.
    from matplotlib.axes import Axes as Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform


INK, SECONDARY, HAIRLINE = "#1d2126", "#5a6068", "#c9ced4"
STYLE = Path(__file__).parents[1] / "render" / "style" / "report.mplstyle"
# Inches: the text width of a page of A4 with margins of 20 mm, so that a point is a point; and of a hand-held screen.
WIDE, NARROW = 6.69, 3.45
POINTS = 72
# Words on a narrow screen stand on lines of the axis.
WHITE = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 1.2}


@dataclass(frozen=True, slots=True)
class ArmLook:
    """Colour, line and marker of an arm: three codes, so that any one may be lost."""

    colour: str
    line: str | tuple[int, tuple[float, ...]]
    marker: str
    filled: bool

    def dots(self, ax: Axes, across: Any, up: Any, *, size: float, edge: float | None = None, **style: Any) -> None:
        """Markers at places, with an edge so wide."""
        face = self.colour if self.filled else "#ffffff"
        style |= {"color": self.colour, "markerfacecolor": face, "markersize": size, "markeredgewidth": edge}
        ax.plot(across, up, self.marker, **style)


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


@contextmanager
def canvas(width: float, height: float) -> Iterator[Figure]:
    """A figure of a size in inches under the house style."""
    import matplotlib

    matplotlib.use("agg")
    from matplotlib import style
    from matplotlib.figure import Figure

    with style.context(str(STYLE)):
        yield Figure(figsize=(width, height))


def contrast_look(protocol: Protocol) -> ArmLook:
    """Look of the arm that is compared with the reference."""
    return look_of(protocol.contrast_arm, protocol.arm_codes)


def spread(places: Sequence[float], least: float) -> list[float]:
    """Places moved apart, as little as lets neighbours be at least ``least`` from each other, in their order.

    Those that would be nearer stand as one stack around their mean.
    """
    order = sorted(range(len(places)), key=lambda k: places[k])
    stacks: list[tuple[float, int]] = []
    for rank, k in enumerate(order):
        # Less equal steps, stacks are level: one that lies below the stack before it joins it.
        level, size = places[k] - rank * least, 1
        while stacks and stacks[-1][0] > level:
            before, many = stacks.pop()
            level, size = (level * size + before * many) / (size + many), size + many
        stacks.append((level, size))
    levels = [level for level, size in stacks for _ in range(size)]
    moved = {k: levels[rank] + rank * least for rank, k in enumerate(order)}
    return [moved[k] for k in range(len(places))]


def beside(ax: Axes, text: str, at: tuple[Any, Any], points: tuple[float, float] = (0, 0), **style: Any) -> None:
    """Words so many points away from a place on the axes, small and in the second ink unless told otherwise."""
    ax.annotate(text, at, xytext=points, textcoords="offset points", **{"fontsize": 8, "color": SECONDARY, **style})


def difference_that_matters(ax: Axes, at: float, **style: Any) -> None:
    """A dotted upright at the difference that matters, with its name over it."""
    ax.axvline(at, color=SECONDARY, linestyle=(0, (1, 1.6)), **style)
    beside(ax, "matters", (at, 1), (0, 2), xycoords=("data", "axes fraction"), ha="center", va="bottom")


def around_none(values: Iterable[float | None], room: float) -> tuple[float, float]:
    """Ends of an axis with no difference on it: all values that have an end, and room beside them, as a part."""
    known = [0.0, *(v for v in values if v is not None and math.isfinite(v))]
    pad = room * (max(known) - min(known) or 1.0)
    return min(known) - pad, max(known) + pad


def moved(ax: Axes, way: Transform, across: float, up: float = 0) -> Transform:
    """A way of data to the page, and so many points to the right and up."""
    from matplotlib.transforms import ScaledTranslation

    return way + ScaledTranslation(across / POINTS, up / POINTS, ax.figure.dpi_scale_trans)


def bare_left(ax: Axes) -> None:
    """No line and no ticks at the left, where places mean nothing."""
    ax.set(yticks=[])
    ax.spines["left"].set_visible(False)


def signed(axis: Axis) -> None:
    """Ticks with a true minus."""
    axis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", MINUS))


def named_axes(ax: Axes, across: str, up: str = "") -> None:
    """What the axes say, small and in the second ink."""
    ax.set_xlabel(across, fontsize=8, color=SECONDARY)
    if up:
        ax.set_ylabel(up, fontsize=8, color=SECONDARY)


def in_words(text: str) -> str:
    """Numbers as they are read out."""
    return text.replace(MINUS, "minus ").replace(THIN, " ")


@dataclass(frozen=True, slots=True)
class Sheet:
    """A figure while it is drawn, for a page or a narrow screen; places are in inches from its lower left corner."""

    figure: Figure
    narrow: bool

    @property
    def width(self) -> float:
        """Inches across."""
        return NARROW if self.narrow else WIDE

    def axes(self, left: float, bottom: float, width: float, height: float) -> Axes:
        """Axes at a place."""
        across, up = self.figure.get_size_inches()
        return self.figure.add_axes((left / across, bottom / up, width / across, height / up))

    def say(self, left: float, bottom: float, text: str, **style: Any) -> None:
        """Text at a place."""
        across, up = self.figure.get_size_inches()
        self.figure.text(left / across, bottom / up, text, **{"va": "center", **style})

    def width_of(self, text: str, **style: Any) -> float:
        """Inches that a text is wide."""
        probe = self.figure.text(0, 0, text, **style)
        wide = float(probe.get_window_extent().width) / float(self.figure.dpi)
        probe.remove()
        return wide

    def shortened(self, text: str, width: float, **style: Any) -> str:
        """As much of the beginning of a text as is so many inches wide, with a mark where some is missing."""
        if self.width_of(text, **style) <= width:
            return text
        left = (f"{text[:n].rstrip()} …" for n in range(len(text) - 1, 0, -1))
        return next((part for part in left if self.width_of(part, **style) <= width), "…")


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure that is not drawn yet: in words, how tall it is, and what puts everything on a sheet.

    ``height`` is in inches; where it is a callable, it is told whether the form is the narrow one.
    """

    alt: str
    height: float | Callable[[bool], float]
    fill: Callable[[Sheet], None]

    def titled(self, name: str, title: str, caption: str = "") -> Block:
        """The figure as a block, each form painted when it is first asked for."""

        def paint(narrow: bool) -> str:
            tall = self.height(narrow) if callable(self.height) else self.height
            with canvas(NARROW if narrow else WIDE, tall) as figure:
                self.fill(Sheet(figure, narrow))
                return _to_svg(figure, f"{name}-narrow" if narrow else name, title, self.alt)

        return Block(
            name=name, title=title, caption=caption, alt=self.alt, svg=lambda: paint(False), narrow=lambda: paint(True)
        )


def _to_svg(figure: Figure, name: str, title: str, alt: str) -> str:
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
    said, told = (html.escape(words, quote=False).replace("\\", "\\\\") for words in (title, alt))
    words = f'<title id="{name}-title">{said}</title><desc id="{name}-desc">{told}</desc>'
    return re.sub(r"<svg([^>]*)>", rf"<svg\1 {lines} {labelled}>{words}", text, count=1)
