"""Codes of every field that takes a code, in one place.

Each code is a word of the trade; a code that is not listed here is refused, never guessed.
"""

from __future__ import annotations

AGENTS = ("lidocaine", "articaine", "mepivacaine", "prilocaine", "bupivacaine")
TECHNIQUES = (
    "buccal_infiltration", "palatal_infiltration", "ianb", "gow_gates", "closed_mouth_block", "mental_incisive",
    "long_buccal", "psa", "infraorbital", "intraligamentary", "intraosseous", "intraseptal", "intrapulpal",
)  # fmt: skip
TECHNIQUE_NAMES = {
    "ianb": "inferior alveolar nerve block",
    "gow_gates": "Gow-Gates block",
    "mental_incisive": "mental-incisive block",
    "psa": "posterior superior alveolar block",
}
"""Techniques in words, where the code with blanks does not tell them."""
ADVERSE_EVENTS = (
    "none", "haematoma", "paraesthesia", "trismus", "palpitations", "syncope", "soft_tissue_injury", "allergic",
    "systemic_toxicity", "tissue_necrosis", "facial_palsy", "needle_breakage", "methaemoglobinaemia",
    "positive_aspiration", "other",
)  # fmt: skip
PULP_STATUS = (
    "normal", "reversible_pulpitis", "symptomatic_irreversible_pulpitis", "asymptomatic_irreversible_pulpitis",
    "necrotic", "previously_treated", "unknown",
)  # fmt: skip
PRIMARY = (
    "success_difference", "hazard_ratio", "rmst_difference", "pain_difference", "treatment_success_difference",
)  # fmt: skip
PAIN_MOMENTS = ("insertion", "placement", "deposition", "treatment")
YES_NO = ("yes", "no")

MIXED_ARM, UNMIXED_ARM = "buffered", "plain"
"""The arm whose cartridges are mixed and the other: a fact of the arm, whichever of the two is compared with the other.
"""

CODES: dict[str, tuple[str, ...]] = {
    "arm": ("plain", "buffered"),
    "mix_mode": ("none", "add", "replace"),
    "agent": AGENTS,
    "vasoconstrictor": ("none", "epinephrine", "levonordefrin", "felypressin"),
    "technique": TECHNIQUES,
    "rescue_technique": ("none", "repeat_same", *TECHNIQUES),
    "pulp_status": PULP_STATUS,
    "procedure": ("filling", "crown", "root_canal", "extraction", "periodontal", "other", "none"),
    "tooth_role": ("target", "control"),
    "test_kind": ("planned", "extra"),
    "response": ("felt", "not_felt"),
    "baseline_response": ("felt", "not_felt"),
    "topical": ("none", "benzocaine", "lidocaine", "lidocaine_prilocaine", "other"),
    "pain_moment": PAIN_MOMENTS,
    "age_band": ("0-3", "4-11", "12-17", "18-39", "40-59", "60-79", "80+"),
    "design": ("parallel", "crossover", "split_mouth", "before_after", "audit"),
    "allocation": ("randomised", "clinician_choice", "alternating", "date_based"),
    "adverse_event": ADVERSE_EVENTS,
    "tooth_notation": ("iso3950", "universal"),
    "clock_zero": ("injection_end", "injection_start"),
    "control_tooth": ("required", "optional", "none"),
    "requirement": ("required", "optional", "none"),
    "rescue_rule": ("composite", "hypothetical", "treatment_policy", "while_on_treatment"),
    "primary": PRIMARY,
    "blinded": ("yes", "no", "unknown"),
    "yes_no": YES_NO,
    "serious": (*YES_NO, "not_recorded"),
    "guess": ("plain", "buffered", "unsure"),
    "period": ("1", "2", "3", "4"),
    "score_missing_reason": ("not_asked", "declined", "not_able", "other"),
    "look_boundary": ("obrien_fleming", "pocock", "power", "anytime", "none"),
    "look_information": ("onsets", "cases"),
    "futility": ("none", "non_binding", "binding"),
    "allocation_method": ("permuted_blocks", "minimisation", "paired"),
    "multiplicity": ("holm", "hochberg", "fixed_sequence", "none"),
    "dose_limits": ("label", "conservative"),
    "dose_country": ("US", "EU", "UK", "DE"),
}
"""Admitted codes by field."""

PAIRED = ("crossover", "split_mouth")
"""Designs in which a patient has both arms, by one slip."""
FIRST_CASES = 5
SENSITIVITY: dict[str, tuple[str, str]] = {
    "confirmations_1": ("one test confirms", "one not-felt test makes an onset"),
    "confirmations_2": ("two tests confirm", "two not-felt tests in a row make an onset"),
    "rescue_other_way": (
        "supplement taken the other way",
        "a supplement before onset is taken the other way: censored for shares and waits, a failure for the rate",
    ),
    "accept_unconfirmed": (
        "unconfirmed last test accepted",
        "a not-felt last test counts as onset though nothing confirmed it",
    ),
    "control_ignored": ("control tooth ignored", "the control tooth is ignored"),
    "first_cases_left_out": (
        "first cases of operators left out",
        f"the first {FIRST_CASES} cases of each operator and arm are left out",
    ),
    "per_protocol": (
        "per protocol",
        "cases that received the allocated arm, prepared as planned, only: mixed at most 10 min before, ratio between "
        "1:20 and 1:8",
    ),
    "all_tests": (
        "tests off schedule too",
        "every test decides onset with its own minute, those outside the window of the planned minutes too",
    ),
}
"""Name and meaning of every choice that a plan may name, under which the answer is computed again; a name has to fit
beside its line in a figure."""

SCALES: dict[str, tuple[float, float, str]] = {
    "vas100": (0, 100, "mm"),
    "nrs11": (0, 10, "points"),
    "hp170": (0, 170, "mm"),
    "vrs4": (0, 3, "points"),
    "faces": (0, 10, "points"),
    "mdas": (5, 25, "points"),
    "das": (4, 20, "points"),
}
"""Lowest and highest score and unit of each instrument."""
LOCAL_RULES = "Ethics, consent and privacy: follow local rules."
USE_AT_ONCE = "Mixing a cartridge may be regulated where you work. Use at once; discard if cloudy"
"""Said wherever a mixture is spoken of; without its full stop, as some add to it."""
MILD = {"hp170": 54.0, "vrs4": 1.0}
"""Highest score that a scale itself calls mild: Heft and Parker's line to 54 mm (Clin Oral Investig 2023, two-step
articaine), the second of four words."""

SYNONYMS: dict[str, str] = {
    **dict.fromkeys(("restoration", "restorative", "composite", "composite filling", "amalgam", "inlay"), "filling"),
    **dict.fromkeys(("crown preparation", "crown prep", "onlay", "bridge"), "crown"),
    **dict.fromkeys(("rct", "endo", "endodontic", "endodontics", "root canal treatment", "pulpectomy"), "root_canal"),
    **dict.fromkeys(("exodontia", "tooth removal", "removal"), "extraction"),
    **dict.fromkeys(("perio", "scaling", "root planing", "scaling and root planing", "deep cleaning"), "periodontal"),
    **dict.fromkeys(("inferior alveolar", "inferior alveolar nerve block"), "ianb"),
    "lignocaine": "lidocaine",
    **dict.fromkeys(("adrenaline", "adrenalin", "epi"), "epinephrine"),
    **dict.fromkeys(("not buffered", "unbuffered", "non buffered", "control"), "plain"),
}
"""Other words for codes (from memory): offered, and never taken without asking."""
