"""lawnscore: photos of lawns with a reference card become scores, each with its uncertainty."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lawnscore.contract.errors import LawnscoreError, PhotoRefused
    from lawnscore.history.attention import attention
    from lawnscore.history.changes import changes
    from lawnscore.history.recovery import recovery
    from lawnscore.history.visits import visit_scores
    from lawnscore.photo.score import PhotoScore, score_photo
    from lawnscore.points.score import score_round
    from lawnscore.scoring.summary import ScoreSummary

__version__ = "0.1.0"

__all__ = [
    "LawnscoreError",
    "PhotoRefused",
    "PhotoScore",
    "ScoreSummary",
    "__version__",
    "attention",
    "changes",
    "recovery",
    "score_photo",
    "score_round",
    "visit_scores",
]

_HOMES = {
    "LawnscoreError": "lawnscore.contract.errors",
    "PhotoRefused": "lawnscore.contract.errors",
    "PhotoScore": "lawnscore.photo.score",
    "ScoreSummary": "lawnscore.scoring.summary",
    "attention": "lawnscore.history.attention",
    "changes": "lawnscore.history.changes",
    "recovery": "lawnscore.history.recovery",
    "score_photo": "lawnscore.photo.score",
    "score_round": "lawnscore.points.score",
    "visit_scores": "lawnscore.history.visits",
}


def __getattr__(name: str) -> Any:
    """Load a public name when it is first asked for, so that `--help` stays quick."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
