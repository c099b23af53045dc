"""Drafts for the ethics committee: what a patient is told, what a patient signs, and where a report says what.

Nothing here promises a benefit. What only the practice can say is marked as a gap and never made up.
"""

from __future__ import annotations

from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Cautions, Paragraph, Pieces, Section, Table, absent
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import capital, counted, listed
from onsetstudy.report.sections.main.for_patients import DRAFT

GAP = "To be filled in by the practice:"
TO_BE_USED = (*DRAFT, "Let somebody who is no dentist read it aloud before it is used.")
STROBE = (
    ("1", "Design in the title; a summary", "answer (page 1)"),
    ("2, 3", "Background and aims", "What was planned"),
    ("4", "Study design", "What was planned"),
    ("5", "Setting, places and dates", "Who was included"),
    ("6, 13", "Who could take part, and numbers at each step", "Who was included"),
    ("7, 8", "What was measured and how", "How soon teeth were numb; What was injected"),
    ("9", "Bias", "Among cases alike; How the records were"),
    ("10", "How the size was chosen", "planning report"),
    ("12", "Statistical methods", "For the statistician"),
    ("14", "Who they were", "Who was included"),
    (
        "15, 16",
        "Numbers of outcomes, and the difference with its interval",
        "answer (page 1); How soon teeth were numb",
    ),
    ("17", "Other analyses", "Where and how it holds"),
    ("18, 20", "Main result and what it may mean", "answer (page 1)"),
    ("19", "Limitations", "Cautions"),
    ("21", "To whom it applies", "Where and how it holds"),
    ("22", "Funding", ""),
)
RANDOMISED = (
    ("That it was randomised; a summary", "answer (page 1)"),
    ("Registration, protocol and plan of analysis", "What was planned"),
    ("Changes after the beginning", "What was planned"),
    ("Who could take part, where", "Who was included"),
    ("What each arm was given", "What was injected"),
    ("Main outcome and the others, and how they were measured", "What was planned; How soon teeth were numb"),
    ("Harms, and how they were asked for", "What went wrong"),
    ("How the size was chosen; interim analyses", "planning report; What this interim analysis allows"),
    ("How the list was made and hidden, and who opened it", "protocol document; Who was included"),
    ("Who was blinded, and whether it held", "protocol document; Whether blinding held"),
    ("Who is counted in which arm; what is missing", "Who was included; How the records were"),
    ("Flow of participants, with reasons", "Who was included"),
    ("The arms before treatment", "Who was included"),
    ("Result of each outcome with its interval", "answer (page 1); How soon teeth were numb"),
    ("Other analyses, planned or not", "Where and how it holds"),
    ("Limitations", "Cautions"),
    ("Funding and interests", ""),
    ("How patients and the public were involved", ""),
    ("Who may see data and code", ""),
)

DECIDES = {
    "randomised": ("Chance", ". Neither you nor your dentist can choose it."),
    "clinician_choice": ("Your dentist", ", as without the study."),
    "alternating": ("The order in which patients come", "."),
    "date_based": ("The date", "."),
}
"""Who or what says which injection a patient gets, and the end of that sentence."""
EACH = {
    "crossover": ("at each of your visits", "which comes first"),
    "split_mouth": ("on each side of the mouth", "which side gets which, and which comes first"),
}
"""Where a patient who has both arms gets them, and what is decided then."""


def _gap(what: str) -> Paragraph:
    return absent(f"{GAP} {what}.")


def answered(protocol: Protocol, topic: str) -> str:
    """What the protocol says of a topic of its governance or conduct, without the full stop; empty where nothing."""
    parts = (told.texts for told in (protocol.governance, protocol.conduct) if told is not None)
    said = (text.strip().rstrip(".") for texts in parts for name, text in texts if name == topic)
    return next(filter(None, said), "")


def _said(protocol: Protocol, topic: str, what: str) -> Paragraph:
    text = answered(protocol, topic)
    return Paragraph(text=f"{capital(what)}: {text}.") if text else _gap(what)


def information_sections(protocol: Protocol) -> tuple[Section, ...]:
    """Information for a patient who is asked to take part."""
    labels = [protocol.label(code) for code in protocol.arm_codes]
    why = (
        "Before dental treatment you get an injection that makes the tooth numb. We compare these injections: "
        f"{listed(labels)}. A buffered injection is one to which sodium bicarbonate was added just before it is given. "
        "We do not know which of them makes teeth numb sooner or hurts less. That is why we do the study."
    )
    return (
        Section.of("answer", "You are asked to take part in a study", Cautions(texts=TO_BE_USED), why),
        Section.of("happens", "What happens", _happens(protocol, labels)),
        Section.of(
            "risks",
            "What it may do to you",
            "Every injection in the mouth can hurt, bleed a little or leave a bruise. Seldom, feeling stays changed "
            "for longer, somebody faints, or reacts to what was injected. A mixed injection may have risks that are "
            "not known yet. The cold test can be unpleasant.",
            "You may have no advantage from taking part. What is learnt may or may not help others.",
            _gap("how often these things happen where you work, and by which source"),
            _gap("whether mixing is allowed there, and by whom it was approved"),
        ),
        Section.of(
            "free",
            "You are free to say no",
            "Taking part is voluntary. You can say no, or stop at any time, without giving a reason. Your treatment "
            "does not become worse because of it. If you stop, say whether what was written down may be kept.",
            _gap("how long you may think it over"),
            _said(protocol, "insurance", "who pays if you are harmed"),
        ),
        Section.of(
            "data",
            "What is written down about you",
            "Written down are a random code instead of your name, the tooth, what was injected, the times of the tests "
            "and what you said. The list that connects code and name stays at the practice and goes to nobody.",
            _said(protocol, "data_protection", "how your data are protected, how long they are kept, and your rights"),
            _said(protocol, "dissemination", "how you will hear of the result"),
        ),
        Section.of(
            "who",
            "Whom you can ask",
            _gap("who leads the study here, and how to reach that person, at night too"),
            _gap("somebody outside the study whom you can ask or complain to"),
            _said(protocol, "approval", "which ethics committee decided, and when"),
            _said(protocol, "funding", "who pays for the study"),
            _said(protocol, "interests", "interests of those who run it"),
        ),
    )


def _happens(protocol: Protocol, labels: list[str]) -> tuple[Pieces, ...]:
    tests, study = protocol.schedule.tests_min, protocol.study
    who, rest = DECIDES[study.allocation]
    how = f"{who} decides which injection you get ({' or '.join(labels)}){rest}"
    if study.paired:
        each, what = EACH[study.design]
        how = f"You get each of these injections, one {each}. {who} decides {what}{rest}"
    blind = {"patient": "you", "operator": "your dentist", "assessor": "the person who tests the tooth"}
    hidden = listed([blind[who] for who, answer in study.blinding if answer == "yes" and who in blind])
    if hidden:
        how += f" Kept from {hidden}: which one it was. In an emergency it can be found out at once."
    second = "" if protocol.schedule.control_tooth == "none" else " A second tooth is tested in the same way."
    return (
        how,
        f"After the injection something cold is held to the tooth for a moment, up to {counted(len(tests), 'time')} "
        f"within {max(tests):g} minutes. You say whether you feel it.{second}",
        "If the tooth does not become numb, you get more anaesthetic, as without the study. You can ask for it at any "
        "time.",
        "You are asked how much the injection and the treatment hurt." if protocol.pain is not None else None,
        _gap("how much longer the visit takes, and whether you come again"),
    )


def consent_sections(protocol: Protocol) -> tuple[Section, ...]:
    """What a patient signs; the signed sheet stays at the practice."""
    lines = (
        "I have read the information, version and date above, or it was read to me.",
        "I could ask questions, and they were answered.",
        "I know that taking part is voluntary and that I can stop at any time without giving a reason.",
        "I know that I may have no advantage from it.",
        "I agree that what is listed there is written down under a code.",
        "I agree to take part.",
    )
    signed = ((who, "", "") for who in ("Patient", "Parent or guardian, where needed", "Who explained it"))
    return (
        Section.of(
            "answer",
            "Consent to take part",
            Cautions(texts=TO_BE_USED),
            _gap("version and date of the information sheet"),
            Table.of("Tick each line that you agree to", ("", "I say"), (("☐", line) for line in lines), align="ll"),
        ),
        Section.of(
            "sign",
            "Signatures",
            Table.of("Signed", ("who", "name and signature", "date"), signed, align="lll"),
            "This sheet has a name on it: it stays at the practice, apart from the records, and is never sent on.",
            _gap("what your law asks for where a patient cannot consent alone"),
        ),
    )


def reporting_sections(protocol: Protocol) -> tuple[Section, ...]:
    """Which section of the report says what a reporting guideline asks for."""
    rows: tuple[tuple[str, ...], ...] = STROBE
    columns: tuple[str, ...] = ("item", "what", "section of the report")
    caption = "What a report of an observational study has to say (STROBE, item numbers from memory)"
    note = "Compare with the published checklist before you hand it to a journal."
    if protocol.study.randomised:
        rows, columns = RANDOMISED, columns[1:]
        caption = "What a report of a randomised trial has to say (CONSORT 2025, in own words, from memory)"
        note = "Without item numbers: look them up in the published checklist, and fill it in for a journal."
    told = ((*what, where or "not in the report: to be written by a person") for *what, where in rows)
    techniques = listed([plain_words(name) for name in protocol.eligibility.techniques])
    scope = f"For reports of this study of {techniques}." if techniques else "For reports of this study."
    table = Table.of(caption, columns, told, note, align="l" * len(columns))
    return (Section.of("answer", "Where the report says what", scope, table),)
