"""The dossier in words: what happened when, what the detectors say, what was unusual or like it, what it may be."""

from __future__ import annotations

from analysis.dossier.answer import Dossier
from analysis.dossier.telling.clock import clock_part
from analysis.dossier.telling.detectors import detector_part
from analysis.dossier.telling.likely import similar_part, suggestion_part
from analysis.dossier.telling.notes import notes_part
from analysis.dossier.telling.tags import tag_part
from analysis.result import Result


def tell_dossier(found: Dossier) -> tuple[Result, ...]:
    """The parts of a dossier, in the order in which a morning meeting asks for them."""
    suggested = () if found.suggestion is None else (suggestion_part(found, found.suggestion),)
    return (
        clock_part(found),
        detector_part(found),
        tag_part(found),
        *suggested,
        similar_part(found),
        notes_part(found),
    )
