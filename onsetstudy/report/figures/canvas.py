"""What every figure shares: ink, the codes of the arms, and the way from axes to SVG text."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["ARM_LOOKS", "HAIRLINE", "INK", "SECONDARY", "ArmLook", "canvas", "look_of", "to_svg"]

INK, SECONDARY, HAIRLINE = "#1d2126", "#5a6068", "#c9ced4"
STYLE = Path(__file__).parents[1] / "style" / "report.mplstyle"


@dataclass(frozen=True, slots=True)
class ArmLook:
    """Colour, line and marker of an arm: three codes, so that any one may be lost."""

    colour: str
    line: str
    marker: str
    filled: bool

    @property
    def face(self) -> str:
        """Inside of the marker."""
        return self.colour if self.filled else "#ffffff"


ARM_LOOKS = {
    "plain": ArmLook("#8c5a1e", "--", "o", False),
    "buffered": ArmLook("#155e75", "-", "o", True),
}
OTHER = ArmLook("#5a6068", "-.", "s", True)


def look_of(arm: str) -> ArmLook:
    """Look of an arm by its code."""
    return ARM_LOOKS.get(arm, OTHER)


@contextmanager
def canvas(width: float, height: float) -> Iterator[Figure]:
    """A figure of a size in inches under the house style."""
    import matplotlib

    matplotlib.use("agg")
    from matplotlib import style
    from matplotlib.figure import Figure

    with style.context(str(STYLE)):
        yield Figure(figsize=(width, height))


def to_svg(figure: Figure, name: str, title: str, alt: str) -> str:
    """SVG text, the same for the same figure: fixed ids, no date; titled for those who cannot see it."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.S)
    # Ids are unique on a page that holds several figures.
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'(xlink:href|href)="#([^"]+)"', rf'\1="#{name}-\2"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    labelled = f'role="img" aria-labelledby="{name}-title {name}-desc"'
    words = f'<title id="{name}-title">{_escaped(title)}</title><desc id="{name}-desc">{_escaped(alt)}</desc>'
    return re.sub(r"<svg([^>]*)>", rf"<svg\1 {labelled}>{words}", text, count=1)


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("\\", "\\\\")
