"""What stands under every answer."""

from __future__ import annotations

CAUTIONS = (
    "This is an association in one unit's records. It is not proof that storage caused it, "
    "and it is no evidence about a deployment, a dog's certification or a case.",
    "A source called unreliable here is unreliable for this purpose, on present evidence. "
    "Donated tissue is scarce: test again before throwing a source out; the decision is the "
    "director's.",
    "Keep every miss in the dog's record. Do not delete a miss because the source was poor, and "
    "do not lay a poor source's misses on the dog or the handler.",
    "A dog may learn the container, the glove or the handler. Change gloves at each handling and "
    "keep an identical clean container as a control.",
    "Human tissue is a biohazard: gloves, labelled double containment, a dedicated freezer, and "
    "the bloodborne-pathogen rules that apply to you (in the USA 29 CFR 1910.1030). This page is "
    "not a safety clearance for any source.",
    "Possession, transfer and disposal of human remains are regulated locally: follow local "
    "codes and licensed practice. Keep donors' names out of the records.",
    "Dogs must not mouth or swallow a source, and they need rest and water in heat.",
)


ACT_CAUTION = (
    "Before acting: test again before throwing out scarce donated tissue; handle and dispose of "
    "human tissue by your local codes and licensed practice; gloves, labelled double "
    "containment; this is not a safety clearance."
)
