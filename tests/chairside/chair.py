"""What somebody at the chair does on the page, and when they did it."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from tests.chairside.conftest import wait_for

AUDIT = Path("protocols/infiltration_audit.toml")
MINUTES = [k / 50 for k in range(1, 76)]
QUICK = f"schedule_min = [{', '.join(f'{m:g}' for m in MINUTES)}]"
"""Fifty a minute, for so long that a slow machine is never after the last."""


def quick_audit(folder: Path, *, control: str = "none", later: Sequence[float] = ()) -> Path:
    """The audit with fifty tests a minute, and at later minutes."""
    text = AUDIT.read_text()
    quick = QUICK if not later else QUICK.replace("]", f", {', '.join(f'{m:g}' for m in later)}]")
    text = re.sub(r"schedule_min = \[[^]]*\]", quick, text)
    text = text.replace("target_min = 2 ", "target_min = 0.1 ").replace("tau_min = 10 ", "tau_min = 0.24 ")
    text = text.replace('control_tooth = "none"', f'control_tooth = "{control}"')
    text = text.replace('"2026Q3"]', '"2026Q3", "2026Q4"]')
    path = folder / "quick.toml"
    path.write_text(text)
    return path


@dataclass(frozen=True)
class Tap:
    """What was tapped, and between which two moments of the test's own clock (s)."""

    what: str
    before: float
    after: float


TOLERANCE_S = 0.25
ANSWER = """() => {
  const asked = document.querySelector("#next")?.innerText;
  const said = asked?.startsWith("Test tooth") ? "not_felt" : "felt";
  if (asked) document.querySelector(`[data-answer=${said}]:not(:disabled)`)?.click();
  return document.querySelector("#next") !== null;
}"""


OPEN = """async ({ tooth, operator }) => {
  const seen = (query) => [...document.querySelectorAll(query)].filter((e) => e.offsetParent && !e.disabled);
  const named = (name) => seen("button").find((b) => (b.ariaLabel ?? b.textContent).startsWith(name));
  const drawn = () => new Promise((yes) => setTimeout(yes));
  const asked = () => document.querySelector("h1").innerText;
  const fill = (field) => { field.value = operator; return named("Next"); };
  named("New case").click();
  for (let k = 0; k < 40 && !/before the injection|Waiting/.test(asked()); k += 1) {
    await drawn();
    const field = document.querySelector("input#clinician_id");
    const next = named("New patient") ?? named("Yes, as last time") ?? (field && fill(field))
      ?? named(/control/.test(asked()) ? "tooth 23" : `tooth ${tooth}`) ?? seen(".choices button")[0] ?? named("Skip");
    if (!next) return ["", asked()];
    next.click();
    await drawn();
  }
  const strip = document.querySelector(".strip[aria-current=true] span");
  return [strip?.innerText ?? "", strip ? "" : asked()];
}"""
"""What leads to a case that waits for its first cold test, tapped by the page itself; the whole cases are by hand."""


class Chair:
    """One page, and a log of what was tapped on it with the time of the test's own clock."""

    def __init__(self, page, address=None):
        self.page, self.taps, self.errors, self.seen, self.asked = page, [], [], [], []
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("response", self._response)
        if address:
            page.goto(address)

    def _response(self, response):
        self.seen.append((response.url, response))

    @property
    def heading(self):
        return self.page.locator("h1").first.inner_text()

    def button(self, name, **options):
        return self.page.get_by_role("button", name=name, **options)

    def tap(self, name, what="", **options):
        self._click(self.button(name, **options).first, what or name)

    def _click(self, button, what):
        """Click, and note what the clock said before and after: a slow machine widens it and fails nothing."""
        button.wait_for()
        before = time.time()
        button.click()
        self.taps.append(Tap(what, before, time.time()))

    def tapped(self, what):
        return next(tap for tap in self.taps if tap.what == what)

    def since_injection(self, *what):
        """Minutes from the end of injection to each tap: the least and the most that they can be."""
        zero = self.tapped("Injection ended")
        return [
            ((t.before - zero.after - TOLERANCE_S) / 60, (t.after - zero.before + TOLERANCE_S) / 60)
            for t in self.taps
            if t.what in what
        ]

    def agrees(self, minutes, *what):
        """Whether recorded minutes are those of the taps, within what the clock of the test can tell."""
        limits = self.since_injection(*(what or ("felt", "not_felt")))
        assert len(minutes) == len(limits), (minutes, limits)
        within = [low <= minute <= high for minute, (low, high) in zip(minutes, limits, strict=True)]
        assert all(within), (minutes, limits)
        return True

    def expect(self, words, seconds=60):
        self.page.wait_for_function(
            "(words) => document.querySelector('h1')?.innerText.includes(words)", arg=words, timeout=seconds * 1000
        )

    def open_case(self, tooth="16", operator="P06-A"):
        """From New case to the cold test before the injection; the first answer where there is a choice."""
        self.button("New case").wait_for()
        case, unknown = self.page.evaluate(OPEN, {"tooth": tooth, "operator": operator})
        assert not unknown, f"nothing to tap at {unknown}"
        return case

    def prepare_alone(self, arm="not buffered"):
        self.button("Enter what is prepared").click()
        self.page.locator("main .choices button").first.click()
        self.page.locator("main .choices button", has_text=re.compile(rf"^\d?{arm}$")).click()
        self.button("Prepared").click()
        self.expect("Nothing waits")
        self.button("Back").click()

    def inject(self):
        self.expect("Prepared.")
        self.tap("Needle in")
        self.tap("Injection ended")

    def answer(self, response):
        self._click(self.page.locator(f"[data-answer={response}]:not(:disabled)"), response)

    def answer_until_complete(self):
        """The target not felt and the control felt, read and tapped at one moment, until the rule is met."""
        wait_for(lambda: not self.page.evaluate(ANSWER), seconds=80)
        self.expect("Tests complete")

    def wait_until_written(self):
        wait_for(lambda: self.page.evaluate("async () => (await import('/log.js')).state.waiting") == 0)


def quick_watch(folder: Path) -> Path:
    """What was adopted, watched: one test after three seconds."""
    text = quick_audit(folder).read_text().replace(QUICK, "schedule_min = [0.05]")
    for name, old, new in (
        ("target_min", "0.1", "0.05"),
        ("tau_min", "0.24", "0.05"),
        ("confirmations", "2", "1"),
        ("baseline_response", '"optional"', '"none"'),
    ):
        text = text.replace(f"{name} = {old} ", f"{name} = {new} ")
    text = text.replace('"confirmations_1", "accept_unconfirmed", ', "")
    path = folder / "watch.toml"
    path.write_text(text)
    return path


BLOCK = Path("protocols/mandibular_block_group.toml")


def quick_block(folder: Path) -> Path:
    """The randomised protocol with fifty tests a minute."""
    text = BLOCK.read_text()
    text = re.sub(r"schedule_min = \[[^]]*\]", QUICK, text)
    text = text.replace("target_min = 2 ", "target_min = 0.1 ").replace("tau_min = 15 ", "tau_min = 0.24 ")
    text = text.replace('"2026Q3"]', '"2026Q3", "2026Q4"]')
    path = folder / "block.toml"
    path.write_text(text)
    return path


FAULTS = """() => {
  const found = [], seen = [...document.querySelectorAll('button, input')].filter((b) => b.offsetParent);
  const box = (b) => b.getBoundingClientRect();
  const both = (a, b, low, high) => Math.min(a[high], b[high]) - Math.max(a[low], b[low]) > 0.5;
  for (const b of seen) {
    if (box(b).height < 59.5 || box(b).width < 59.5) found.push(['small', b.outerHTML]);
    const cut = b.scrollWidth > b.clientWidth || b.scrollHeight > b.clientHeight;
    if (b.matches('button') && cut) found.push(['cut off', b.outerHTML]);
    for (const other of seen.slice(seen.indexOf(b) + 1)) {
      const [p, q] = [box(b), box(other)];
      if (both(p, q, 'left', 'right') && both(p, q, 'top', 'bottom')) found.push(['overlap', b.outerHTML, q]);
    }
  }
  for (const e of document.querySelectorAll('h1, h2, p, li, th, td, label, b, span')) {
    if (!e.offsetParent || e.closest('.unseen') || !e.textContent.trim()) continue;
    if (parseFloat(getComputedStyle(e).fontSize) < 16) found.push(['too small to read', e.outerHTML]);
    if (box(e).right > innerWidth + 1 || box(e).left < -1) found.push(['outside', e.outerHTML]);
  }
  const odd = document.body.innerText.match(/\\b(null|undefined|NaN)\\b/);
  if (odd) found.push(['no word', odd[0]]);
  return found;
}"""
"""Targets under 60 px, words cut off, controls over each other, small print, and what is no word."""


SIZES = [(width, scheme) for scheme in ("light", "dark") for width in (360, 768, 1366)]
"""A telephone, a tablet upright and a small screen, on white paper and on dark."""


def at_sizes(page, sizes=SIZES):
    """The page as it stands, at each width and scheme; it is left as it was at the first."""
    for width, scheme in (*sizes, sizes[0]):
        page.set_viewport_size({"width": width, "height": 740})
        page.emulate_media(color_scheme=scheme)
        yield width, scheme


def look_at(page, sizes=SIZES):
    """At each size, that axe is content, targets are large, and nothing is cut off or lies over something else.

    What axe says of dark paper beyond white is of its colours, and those are the same at each width: it is asked once.
    """
    due = {(width, scheme) for width, scheme in sizes if scheme == "light"} | {sizes[-1]}
    for size in at_sizes(page, sizes):
        assert page.evaluate(FAULTS) == []
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
        if size in due:
            due.remove(size)
            ask_axe(page)
    assert not due


AXE = "() => axe.run({resultTypes: ['violations']}).then((told) => told.violations)"


def ask_axe(page):
    """That axe finds nothing; where it is not installed (``.ci/run`` does) what was measured before stands alone."""
    if find_spec("axe_playwright_python") is None:
        return
    from axe_playwright_python.sync_playwright import Axe

    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(Axe().axe_script)
    found = page.evaluate(AXE)
    assert not found, [(v["id"], [n["html"] for n in v["nodes"]][:3]) for v in found]
