"""One complete case, nothing skipped: what the page asked, in its order, and how often it was tapped."""

from __future__ import annotations

from dataclasses import dataclass

COUNT = """
window.counted = { answers: 0, taps: 0, typed: 0 };
document.addEventListener("click", (event) => {
  const at = event.target.closest?.("button, input");
  const test = at?.dataset.answer && document.querySelector("#next");
  if (event.isTrusted && at) window.counted[test ? "answers" : "taps"] += 1;
}, true);
addEventListener("change", ({ target }) => { if (target.type !== "range") window.counted.typed += 1; }, true);
"""
"""Taps of a finger on buttons and fields; ``answers`` are those of a test, ``typed`` fields that were written into.

A tap on a button that was drawn anew in that very moment is held back at the window by what drives the browser, and
done again: it is counted where it arrives.
"""
PREFER = {"Vasoconstrictor": "epinephrine", "Which injection is planned?": "inferior alveolar nerve block"}
"""So that the dilution and the lip are asked too."""
CODES = {"Code of the operator": "{practice}-A"}
NUMBERS = {"Weight, kg": "70", "Anxiety before": "11"}


@dataclass(frozen=True)
class Taps:
    """Taps but those of tests, taps of tests, and fields typed into; as counted by the page."""

    taps: int
    answers: int
    typed: int

    def __sub__(self, other):
        return Taps(self.taps - other.taps, self.answers - other.answers, self.typed - other.typed)


def counted(*chairs):
    """What was tapped on these pages so far."""
    found = [chair.page.evaluate("() => window.counted") for chair in chairs]
    return Taps(*(sum(f[name] for f in found) for name in ("taps", "answers", "typed")))


def open_fully(chair, practice, teeth):
    """Open a case and answer every question; returns what was asked."""
    chair.button("New case").click()
    seen, left = [], list(teeth)
    while "before the injection" not in chair.heading:
        seen.append(chair.heading)
        _answer_question(chair, practice, left)
    return seen


def _answer_question(chair, practice, teeth):
    page, question = chair.page, chair.heading
    if question == "Patient's code":
        chair.button("New patient").click()
    elif question == "As last time?":
        chair.button("Yes, as last time").click()
    elif page.locator(".teeth").count():
        chair.button(f"tooth {teeth.pop(0)}", exact=True).click()
    elif question in PREFER and page.locator(".choices button", has_text=PREFER[question]).count():
        page.locator(".choices button", has_text=PREFER[question]).click()
    elif page.locator(".choices button").count():
        page.locator(".choices button").first.click()
    else:
        field = page.locator("main input")
        field.click()
        field.fill(CODES[question].format(practice=practice) if question in CODES else NUMBERS[question])
        chair.button("Next").click()


def baseline(chair):
    """The cold before the injection."""
    seen = []
    while "before the injection" in chair.heading:
        which = "control tooth" if "control" in chair.heading else "target tooth"
        seen.append(f"Cold on the {which}, before the injection")
        chair.answer("felt")
    return seen


def prepare_fully(chair, arm):
    """What one clinician alone enters of the cartridge."""
    chair.button("Enter what is prepared").click()
    chair.page.locator("main .choices button").first.click()
    chair.page.locator("main .choices button").filter(has_text=arm).last.click()
    chair.button("Prepared").click()
    chair.expect("Nothing waits")
    chair.button("Back").click()
    return ["Slip"]


def inject(chair):
    """The needle, and the end of the injection."""
    chair.expect("Prepared.")
    for name in ("Needle in", "Injection ended"):
        chair.button(name).click()
    return ["Needle in", "Injection ended"]


def answer_tests(chair):
    """One test with the cold felt, then the target not felt until the rule is met."""
    page = chair.page
    page.wait_for_selector("#next")
    said = "felt"
    while page.locator("#next").count():
        target = page.inner_text("#next").startswith("Test tooth")
        button = page.locator(f"[data-answer={said if target else 'felt'}]:not(:disabled)")
        button.or_(page.locator("main:not(:has(#next))")).first.wait_for()
        if button.count():
            button.click()
            said = "not_felt" if target else said
            # Fifty tests a minute leave room for two taps in one thousandth of a minute, which no hand makes.
            page.wait_for_timeout(150)
    return ["tests"]


def ask_the_rest(chair):
    """Questions that stand open below the task, answered one after the other; returns them in their order."""
    page = chair.page
    rest = page.evaluate(
        """async () => { const names = (await (await fetch("/api/setup")).json()).after.map((f) => f.name);
          return [...document.querySelectorAll("main button")].filter((b) => names.includes(b.dataset.stay))
            .map((b) => b.textContent); }"""
    )
    for question in rest:
        chair.button(question).click()
        if page.locator("main input[type=range]").count():
            page.locator("main input[type=range]").click()
            chair.button("Done").click()
        elif page.locator("main .points").count():
            chair.button("3", exact=True).click()
        else:
            page.locator("main .choices button").first.click()
    return rest


def treat(chair):
    """From the end of the tests to the end of the case."""
    chair.expect("Tests complete")
    offered = [name for name in chair.page.locator("main .row button").all_inner_texts() if name in TREATMENT]
    chair.button("Treatment starts").click()
    offered += ask_the_rest(chair)
    chair.button("Treatment ended").click()
    chair.button("Finish the case").click()
    return [*offered, "Treatment ended"]


TREATMENT = ("Treatment starts", "Supplemental injection")
