"""The cautions that stand beside every result: one wording for window, report, figures and commands."""

from __future__ import annotations

from typing import Final

CAUTION_LINE: Final = (
    "A review tool only: the model says, it does not certify. "
    "Local codes, aviation rules, the range safety officer and licensed practice decide what flies."
)
"""One line, for the foot of a list, a figure or a command's output."""

CAUTIONS: Final = (
    "Plumbline reviews flights that have been flown. Nothing it shows clears a vehicle, a motor or a change of settings for flight.",
    "A calibration is proven on the bench with the motor out, not by a flight record and not by a what-if.",
    "A what-if and a re-flown path are what a model says under the assumptions listed with them. What the model leaves out is not in them.",
    "Gains, limits and vehicle data shown here describe what was flown. None of them is a recommendation.",
    "Where the record can't tell two causes apart (a leaning rail from a biased accelerometer, say), choosing one does not make it true.",
    "The heading is declared, never measured. Everything that depends on it is only as good as the declaration.",
    "Local codes and aviation rules, the range safety officer, and licensed practice where the law asks for it come before anything here.",
)
"""Each a sentence or two, in the order of how far-reaching they are."""
