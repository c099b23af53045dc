"""The typesetter: a template and its inputs become one tagged PDF, in process."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import typst

TEMPLATES = Path(__file__).parent / "render" / "templates"


def compiler_of(template: str, *, paper: str, **inputs: str) -> typst.Compiler:
    """A typesetter of a template by name, on ``a4`` or ``letter``.

    It brings a serif; the sans of the figures comes with the library that draws them.
    """
    inputs["paper"] = {"letter": "us-letter"}.get(paper, paper)
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return typst.Compiler(
        str(TEMPLATES / f"{template}.typ"), sys_inputs=inputs, font_paths=[str(fonts)], ignore_system_fonts=True
    )


def one_pdf(compiler: typst.Compiler) -> bytes:
    """PDF/UA-1 bytes of what a compiler was given: as a PDF, the typesetter gives all pages as one file."""
    made = compiler.compile(pdf_standards="ua-1")
    assert isinstance(made, bytes)
    return made
