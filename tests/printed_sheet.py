"""What a case sheet asks and has tapped, as it stands on the typeset page from the top."""

from __future__ import annotations

import json
from dataclasses import asdict

from onsetstudy.report.typeset import compiler_of


def order_on_paper(sheet):
    compiler = compiler_of("case_sheet", doc=json.dumps(asdict(sheet)), paper="a4", scale="1.0")
    return tuple(json.loads(compiler.query("<asked>", field="value")))
