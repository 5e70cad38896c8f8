"""Texts that every report carries: cautions and limits of validity."""

from __future__ import annotations

from typing import Final

TITLES: Final = {
    "educator": "Report for teaching and assessment",
    "stylist": "Colour over the washes",
    "tester": "Test report",
}

CAUTIONS: Final = (
    "This report measures photographs only. It tests no allergy, diagnoses nothing and "
    "recommends no product and no time.",
    "It does not replace the maker's instructions, training, local law or licensed practice.",
    "Hair colourants can cause severe reactions. The allergy alert test is done exactly as the "
    "maker directs, each time.",
    "With itching, swelling or trouble breathing: stop, rinse and seek medical help.",
    "Gloves and apron while colour is on the hair or in the rinse water.",
    "No client service record for anyone under 16.",
    "Photographs need consent for each use, and consent can be withdrawn. No faces, no places; "
    "codes in place of names. Notes of an allergy test are health data in many places.",
)

VALIDITY: Final = (
    "What is measured is hair lying flat in the plane of the chart, dry and combed, mirror "
    "highlights left out; the mean over its fibres. Another geometry, such as an instrument "
    "pressed onto a thick tress, is another quantity.",
    "“95 % interval” means the true differences that would not make this reading rare. A "
    "difference below its critical value is called not resolved: noise alone shows as much. It "
    "does not prove that two colours are the same.",
    "Light and camera are corrected from the chart in the same frame. A chart that is worn, in "
    "glare, of another edition or out of the hair's plane moves every colour of that photo "
    "alike.",
    "ΔE₀₀ is made for small differences. Over a whole fade the share of colour left and the "
    "steps in L*, C* and hue say more.",
    "Words for differences (even, slight shift, …) are this project's own bands, anchored on "
    "the steps of the ISO 105-A02 grey scale; a study may set its own.",
    "Chips on a screen or on paper show a likeness. Compare hair with hair, and numbers with "
    "numbers.",
)

MARKS: Final = {"measured": "●", "flagged": "▲", "refused": "✕"}
STATUS_WORDS: Final = {
    "measured": "good enough: measured",
    "flagged": "usable with care: measured, with a doubt",
    "refused": "not usable: refused, nothing guessed",
}
