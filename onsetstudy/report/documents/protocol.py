"""The protocol as a document, in the order of the SPIRIT 2025 items that apply.

Chan A-W and others. SPIRIT 2025 statement: updated guideline for protocols of randomised trials. BMJ 2025;389:e081477.
The order of the items is from memory; the words are this package's own.
"""

from __future__ import annotations

from onsetstudy.protocol.lock_results import ProtocolLock
from onsetstudy.protocol.model import Arm, LookRule, Protocol
from onsetstudy.protocol.vocabulary import LOCAL_RULES, USE_AT_ONCE
from onsetstudy.report.document import Block, Cautions, Document, Pairs, Paragraph, Section, Table, absent
from onsetstudy.report.names import BOUNDARIES, INSTRUMENTS, field_name, outcome_name, plain_words
from onsetstudy.report.numbers import counted, day, level, listed, uncapital
from onsetstudy.report.sections.before.papers import answered
from onsetstudy.report.sections.before.plan_words import aim_told, expected_rows, lost_row
from onsetstudy.study.planning.results import Aim

WITHIN_PATIENTS = "Each patient has both arms: differences in proportions, waits and scores are taken within patients."
TO_BE_WRITTEN = "To be written by a person:"


def compose_protocol(
    protocol: Protocol, lock: ProtocolLock | None, aim: Aim | None = None, *, ledger_head: str = ""
) -> Document:
    """Protocol document; what only a person can say and has not said is marked.

    ``aim`` is what its main outcome is planned for, ``ledger_head`` the last entry of the study's ledger, empty
    where there is none.
    """
    version, locked = ("not locked", "") if lock is None else (f"version {lock.latest.number}", lock.latest.day)
    return Document.of(
        protocol,
        (
            _administrative(protocol, lock),
            _open_science(protocol),
            _introduction(protocol),
            _participants(protocol),
            _outcomes(protocol),
            _size_and_recruitment(protocol, aim),
            _assignment(protocol),
            _data(protocol),
            Section.of(
                "oversight",
                "Monitoring",
                _said(protocol, "monitoring", "Who looks at quarterly reports and may stop the study"),
            ),
            _ethics(protocol, lock),
        ),
        name="protocol",
        kicker=f"Protocol, {version}",
        subtitle=protocol.study.question,
        running=(f"protocol, {version}",),
        invented="This protocol is of an invented study.",
        date=locked,
        ledger_head=ledger_head,
    )


SETTLED = {
    "approval": "Approval or waiver",
    "insurance": "Sponsor and insurance",
    "medicines_authority": "Medicines authority",
    "data_protection": "Data protection",
}


GIVEN = "What else is given or not given: topical anaesthetic, supplemental injections"
WANTED = {"required": "required", "optional": "optional", "none": "not asked for"}
MIXED = {"none": "nothing is mixed in", "add": "bicarbonate on top", "replace": "bicarbonate in place of as much"}


def _prepared(arm: Arm) -> list[str]:
    """How an arm is prepared, in the protocol's words and as it will be held against the records."""
    return [*([arm.preparation] if arm.preparation else []), *([MIXED[arm.mix_mode]] if arm.mix_mode else [])]


def _said(protocol: Protocol, topic: str, asked: str) -> Paragraph:
    if text := answered(protocol, topic):
        return Paragraph(text=f"{asked}: {text}.")
    return absent(f"{TO_BE_WRITTEN} {uncapital(asked)} (conduct.{topic}).")


def _administrative(protocol: Protocol, lock: ProtocolLock | None) -> Section:
    versions: Block = absent("This protocol is not locked: lock it before the first case.")
    if lock is not None:
        rows = [
            (f"{v.number}", day(v.day), v.reason, ", ".join(key for key, _, _ in v.changes) or "—", v.digest[:12])
            for v in lock.versions
        ]
        columns = ("version", "day", "reason", "changed", "SHA-256")
        versions = Table.of("Versions of this protocol", columns, rows, align="lllll")
    return Section.of(
        "answer",
        "Administrative information",
        versions,
        Pairs(rows=(("Study", protocol.study.id), ("Protocol, SHA-256", protocol.digest))),
        _said(protocol, "roles", "Who is responsible for what, by role and not by name of patients"),
    )


def _open_science(protocol: Protocol) -> Section:
    return Section.of(
        "open",
        "Open science",
        _said(protocol, "registration", "Where the study is registered, and under which number"),
        _said(protocol, "sharing", "Who may see this protocol, the plan, the records and the code, and how"),
        _said(protocol, "funding", "Who pays, and with what"),
        _said(protocol, "interests", "Interests of those who run the study, makers of devices included"),
        _said(protocol, "dissemination", "How results will be told, to patients too, whatever they are"),
    )


def _introduction(protocol: Protocol) -> Section:
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    return Section.of(
        "introduction",
        "Introduction",
        protocol.study.question,
        _said(protocol, "background", "What is known, trials without a difference included, and why this comparison"),
        f"To compare {other} with {reference}. Main outcome: {outcome_name(protocol.plan.primary)}.",
    )


def _participants(protocol: Protocol) -> Section:
    study, admitted = protocol.study, protocol.eligibility
    codes = {
        "procedures": admitted.procedures,
        "techniques": admitted.techniques,
        "pulp": admitted.pulp_status,
        "anaesthetics": admitted.agents,
        "ages": admitted.age_bands,
    }
    rows = [("Design", plain_words(study.design)), ("How arms come about", plain_words(study.allocation))]
    rows += [("Practices", ", ".join(study.practices) or "any code")]
    rows += [(f"May be included: {name}", listed([*map(plain_words, found)])) for name, found in codes.items() if found]
    rows += [("Included are", "; ".join(admitted.include) or "—"), ("Excluded are", "; ".join(admitted.exclude) or "—")]
    arms = [(protocol.label(a.code), "; ".join(_prepared(a)) or "—") for a in protocol.arms]
    return Section.of(
        "methods",
        "Methods: participants, interventions",
        _said(protocol, "patient_involvement", "How patients had a say in design and outcomes"),
        Pairs(rows=tuple(rows)),
        _said(protocol, "setting", "Where patients are treated, and by whom"),
        Table.of("What is compared", ("arm", "preparation"), arms, align="ll"),
        _said(protocol, "stopping_rules_for_a_case", "When an operator departs from the allocated arm, and what then"),
        _said(protocol, "concomitant_care", GIVEN),
        Cautions(texts=(f"{USE_AT_ONCE}.",)),
    )


def _outcomes(protocol: Protocol) -> Section:
    onset, schedule, rescue = protocol.onset, protocol.schedule, protocol.rescue
    zero = "end of the last planned injection" if schedule.clock_zero == "injection_end" else "start of the injection"
    minutes, again = ", ".join(f"{t:g}" for t in schedule.tests_min), onset.confirmations
    first = "valid test that was" if again == 1 else f"of {again} consecutive valid tests that were"
    window = "" if schedule.window_min is None else (
        f" A test answers for the planned minute at most {schedule.window_min:g} min away, of several the nearest, and "
        "onset lies between planned minutes; other tests speak for a planned minute without an answer where they leave "
        "no doubt."
    )  # fmt: skip
    rows = [("primary", outcome_name(protocol.plan.primary))]
    rows += [(f"secondary {k}", outcome_name(s)) for k, s in enumerate(protocol.plan.secondary, start=1)]
    scales = []
    for name, scale in (("Pain", protocol.pain.instrument if protocol.pain else None), ("Anxiety", protocol.anxiety)):
        if scale is not None:
            matters = scale.important_difference
            text = f"{name}: {INSTRUMENTS.get(scale.scale, plain_words(scale.scale))}, {scale.low:g} to {scale.high:g} "
            text += scale.unit + ("." if matters is None else f"; a difference of {matters:g} matters to this study.")
            scales.append(text)
    caption = f"Outcomes; target {onset.target_min:g} min, horizon {onset.tau_min:g} min"
    return Section.of(
        "outcomes",
        "Methods: outcomes and harms",
        Table.of(caption, ("rank", "outcome"), rows, align="ll"),
        f"Clock zero is the {zero}. Cold tests at {minutes} min. Onset is the first {first} not felt, and lies after "
        f"the last that was felt.{window} A control tooth is {WANTED[schedule.control_tooth]}, a response before the "
        f"injection {WANTED[schedule.baseline_response]}. Teeth that never become numb stay in every count.",
        f"A supplemental injection before onset is taken as {plain_words(rescue.success)} for proportions, "
        f"{plain_words(rescue.wait)} for waits and {plain_words(rescue.hazard)} for the hazard ratio.",
        scales,
        _said(protocol, "harms", "How harms are asked for, judged and told"),
    )


def _size_and_recruitment(protocol: Protocol, aim: Aim | None) -> Section:
    planning = protocol.planning
    rests_on: Block = absent(f"{TO_BE_WRITTEN} what the size of the study rests on ([planning]).")
    if planning is not None:
        sources = ("Where these come from", "; ".join(planning.sources) or "assumed")
        rests_on = Pairs(rows=(*expected_rows(planning, protocol.study), lost_row(planning), sources))
    recruited = _said(protocol, "recruitment", "How patients are found and asked")
    told = None if aim is None else aim_told(aim, protocol)
    return Section.of("size", "Methods: size and recruitment", told, rests_on, recruited)


def _assignment(protocol: Protocol) -> Section:
    study, rule = protocol.study, protocol.allocation
    if not study.randomised:
        return _not_randomised(protocol)
    drawn: Block | str = absent(f"{TO_BE_WRITTEN} how the list is drawn ([allocation]).")
    if rule is not None:
        how = {
            "permuted_blocks": "permuted blocks of varying size, known to the keeper of the list alone"
            if rule.block_sizes_digest
            else f"permuted blocks of random sizes ({listed([str(b) for b in rule.block_sizes])})",
            "minimisation": "minimisation, taking the arm that is behind in four cases of five",
            "paired": "balanced blocks of orders (and sides) for patients who receive both",
        }[rule.method]
        ratio = " to ".join(str(r) for r in (rule.ratio or (1,) * len(protocol.arms)))
        uneven = f" ({listed([protocol.label(arm.code) for arm in protocol.arms])})" if len(set(rule.ratio)) > 1 else ""
        strata = listed([field_name(s) for s in rule.strata]) or "none but the practice"
        drawn = f"Arms are allocated {ratio}{uneven} by {how}; strata: {strata}. "
        drawn += "The seed of the list is kept apart from this file."
        if rule.washout_days:
            drawn += f" Between two injections of one patient lie {rule.washout_days} days at least."
    known = dict(study.blinding)
    blinded, open_to, unsaid = (
        listed([who for who in ("patient", "operator", "assessor") if known.get(who, "unknown") == answer])
        for answer in ("yes", "no", "unknown")
    )
    return Section.of(
        "assignment",
        "Methods: assignment",
        drawn,
        _said(protocol, "concealment", "Who keeps the list, and how slips are opened one at a time"),
        f"Blinded: {blinded or 'nobody'}. Not blinded: {open_to or 'nobody'}."
        + (f" Not stated: {unsaid}." if unsaid else ""),
        _said(protocol, "blinding_procedure", "How blinding is kept, and when it may be broken"),
    )


def _not_randomised(protocol: Protocol) -> Section:
    adjusted = [field_name(c) for c in (*protocol.plan.strata, *protocol.plan.covariates)]
    return Section.of(
        "assignment",
        "Methods: how arms come about",
        f"Arms are not randomised; they come about by {plain_words(protocol.study.allocation)}. Whatever decides the "
        "arm may also decide how soon teeth are numb. The report shows how alike the arms are (standardised "
        "differences and overlap), compares them as they are and again after weighting and standardisation by what was "
        "recorded, says how strong something unrecorded would have to be to explain the difference, and never says "
        "that buffering caused it.",
        f"Accounted for: {listed(adjusted) if adjusted else 'nothing beyond the technique'}.",
    )


def _data(protocol: Protocol) -> Section:
    plan, looks = protocol.plan, protocol.looks
    strata = listed([field_name(s) for s in plan.strata]) or "no strata"
    others = listed([plain_words(s) for s in plan.sensitivity]) or "none"
    shared = f"share one error rate ({plain_words(plan.multiplicity)})"
    errors = "are each tested at the full error rate" if plan.multiplicity == "none" else shared
    secondary = f" Secondary outcomes {errors}." if plan.secondary else ""
    analyses = counted(len(protocol.quarters), "interim analysis", "interim analyses")
    return Section.of(
        "data",
        "Methods: data and analysis",
        _said(protocol, "training", "How those who test and record are trained"),
        _said(protocol, "data_management", "Where records are kept, who may change them, how they are checked"),
        f"Times are interval-censored. Arms are compared within {strata} by a log-rank test for interval-censored "
        "times and by proportional hazards; proportions, waits and pain by the methods named in the report. Level of "
        f"confidence {level(plan.conf_level)}; seed {plan.seed}.{secondary}",
        WITHIN_PATIENTS if protocol.study.paired else "",
        f"Limits allow for what cases of one {field_name(plan.cluster)} share." if plan.cluster else "",
        f"Other choices that will be tried: {others}. Missing scores are counted, not filled in.",
        f"The study is analysed every quarter: {analyses}, with {BOUNDARIES[looks.boundary if looks else 'none']}."
        f"{_errs(looks)}",
    )


def _errs(looks: LookRule | None) -> str:
    """How often and on which sides interim analyses err, and whether they end a hopeless study."""
    if looks is None or looks.boundary == "none":
        return ""
    sides = "one side, where the other arm is better" if looks.sided == 1 else "both sides together"
    futility = "" if looks.futility == "none" else f" A boundary of futility is {looks.futility.replace('_', '-')}."
    return f" In all they err in {level(looks.alpha)} of studies without a difference, on {sides}.{futility}"


def _settled(protocol: Protocol) -> list[str]:
    """Answers of the governance table that no other section asks for, and the rule of adoption."""
    told = [f"{asked}: {text}." for key, asked in SETTLED.items() if (text := answered(protocol, key))]
    rule = protocol.adoption
    if rule is not None and rule.none_because is not None:
        told.append(f"No rule of adoption was declared, because {rule.none_because.rstrip('.')}.")
    elif rule is not None:
        told.append(f"Rule of adoption, declared beforehand: {'; '.join(rule.conditions)}.")
    return told


def _ethics(protocol: Protocol, lock: ProtocolLock | None) -> Section:
    return Section.of(
        "ethics",
        "Ethics",
        "Randomising or allocating by protocol usually makes it research. Was an ethics committee or institution "
        f"asked? Recorded answer: {protocol.study.ethics_status.rstrip('.')}. Local rules decide.",
        "Changes are locked as amendments with day and reason; the report names those made after the first case."
        if lock is not None
        else "Once locked, changes are amendments with day and reason.",
        _said(protocol, "consent", "How patients are asked, and who keeps the forms"),
        _said(protocol, "confidentiality", "How patients stay unknown: codes, and where the key is kept"),
        _settled(protocol),
        _said(protocol, "care_after_the_study", "Care after the study, and for those who were harmed"),
        Cautions(
            texts=(
                "A protocol does not replace testing the tooth and asking the patient before every procedure.",
                LOCAL_RULES,
            )
        ),
    )
