"""The typesetter: a template and its inputs become one tagged PDF, in process."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import typst

from onsetstudy.core.errors import ReportError

__all__ = ["compiler_of", "one_pdf"]


def compiler_of(template: Path, **inputs: str) -> typst.Compiler:
    """A typesetter of a template; it brings a serif, the sans of the figures comes with the library that draws them."""
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return typst.Compiler(str(template), sys_inputs=inputs, font_paths=[str(fonts)], ignore_system_fonts=True)


def one_pdf(compiler: typst.Compiler) -> bytes:
    """PDF/UA-1 bytes of what a compiler was given.

    Raises
    ------
    ReportError
        If the typesetter makes something else than one file.
    """
    made = compiler.compile(pdf_standards="ua-1")
    if not isinstance(made, bytes):
        raise ReportError("the typesetter did not make one PDF")
    return made
