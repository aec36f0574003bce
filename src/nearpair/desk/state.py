"""What the page is told of a shoot, and what it may decide, as plain data."""

from importlib.util import find_spec
from typing import Annotated, Any

import msgspec

from nearpair.desk.maps import legends
from nearpair.desk.session import Session
from nearpair.errors import NearpairError
from nearpair.optics.viewing import Viewing, divergence_limits, mm_to_px, one_degree_limits
from nearpair.outputs.anaglyph import MATRICES, METHODS
from nearpair.outputs.catalogue import FORMS, Form
from nearpair.proof.model import Proof
from nearpair.proof.model_advice import Finding
from nearpair.shoot.again import ages, outputs
from nearpair.shoot.deciding import revision_of
from nearpair.shoot.decisions import Decisions, Retouch, load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.pairsheet import kept_pairs
from nearpair.shoot.showing import Shown, mounted_last

_MODULES = {"video": "av", "heic": "pillow_heif"}
"""What the optional parts of the installation bring."""


def state_of(session: Session) -> dict[str, Any]:
    """Everything the page draws its controls from."""
    folder = session.folder
    told: dict[str, Any] = {
        "name": session.root.resolve().name,
        "root": str(session.root.resolve()),
        "begun": folder is not None,
        "sources": [str(source) for source in session.sources],
        "look": _look(session),
        "moved": session.moved,
        "job": session.jobs.status(),
    }
    if folder is None:
        return told
    try:
        told |= _decided(session, folder)
    except NearpairError as error:  # a file edited by hand may be wrong; the page says so
        return {**told, "trouble": {"message": error.message, "remedy": error.remedy}}
    try:
        pair = session.pictures.at_once()
    except NearpairError as error:
        return {**told, "pair": None, "trouble": {"message": error.message, "remedy": error.remedy}}
    told["pair"] = None if pair is None else _pair(pair, told["decisions"])
    kept = kept_pairs(folder)
    shown = folder.pairs.stat().st_mtime_ns if kept else 0
    told["pairs"] = [{**msgspec.to_builtins(one), "picture": one.near_arcmin is not None} for one in kept]
    told["pairs_key"] = str(shown)
    mounted = mounted_last(folder)
    told["files"] = outputs(folder)
    try:
        told["older"] = {age.file: age.older for age in ages(folder) if age.older}
        proof = session.proof()
    except NearpairError as error:  # a newer nearpair wrote it
        return {**told, "proof": None, "trouble": {"message": error.message, "remedy": error.remedy}}
    told["proof"] = _proof(proof)
    if pair is not None and mounted is not None:
        told["legends"] = legends(pair, mounted, told["decisions"], proof)
    return told


def _look(session: Session) -> dict[str, Any] | None:
    """What is on the card; where its files lie is no matter of the page."""
    if session.look is None:
        return None
    return {**msgspec.to_builtins(session.look), "readable": list(session.look.readable)}


def usable_forms() -> list[Form]:
    """The forms that this installation can make."""
    return [form for form in FORMS if not form.extra or find_spec(_MODULES[form.extra]) is not None]


def _decided(session: Session, folder: ShootFolder) -> dict[str, Any]:
    decisions = load(folder.toml)
    glasses = glasses_named(decisions.colour.glasses)
    return {
        "revision": revision_of(folder),
        "decisions": decisions,
        "glasses": session.glasses_of(decisions, folder),
        "methods": METHODS,
        "forms": [{"name": form.name, "what": form.what, "needs": form.needs} for form in usable_forms()],
        "mixtures": {name: matrix(glasses).tolist() for name, matrix in MATRICES.items()},
        "mixed": session.pictures.name_mixture(decisions.colour),
    }


def _pair(pair: Shown, decisions: Decisions) -> dict[str, Any]:
    width = pair.mounting.crop_px[2]
    return {
        "key": pair.key,
        "stations": pair.stations,
        "size_px": pair.size_px,
        "levels": pair.levels,
        "at_once": pair.finest,
        "mounting": pair.mounting,
        "adjust": pair.adjust,
        "matrices": pair.matrices,
        "view_px": pair.view_px,
        "retouches": pair.retouches,
        "near_px": pair.near_px,
        "far_px": pair.far_px,
        "map": {"size_px": pair.parallax.shape, "factor": pair.parallax_factor},
        "limits": _limits(decisions.viewing.seen(), width),
    }


def _limits(viewing: Viewing, width: int) -> dict[str, float]:
    """Parallax within one degree and without divergence, in px of the pair."""
    degree, divergence = one_degree_limits(viewing), divergence_limits(viewing)
    far_mm = min(degree.far_mm, divergence.far_mm)
    return {
        "near_px": mm_to_px(viewing, degree.near_mm, width),
        "far_px": mm_to_px(viewing, far_mm, width),
        "px_per_mm": mm_to_px(viewing, 1.0, width),
    }


def _proof(proof: Proof | None) -> dict[str, Any] | None:
    if proof is None:
        return None
    return {
        "verdict": proof.verdict,
        "candidates": proof.candidates,
        "advice": [
            {"severity": a.severity, "text": a.text, "remedy": a.remedy, "fixes": _fixes(a)}
            for a in proof.advice
        ],
        "eyes": proof.eyes,
    }


def _fixes(finding: Finding) -> list[dict[str, str | float]]:
    """What the finding advises to decide, as the page decides: by the last part of each key."""
    named = [{key.rpartition(".")[2]: value for key, value in fix.decides.items()} for fix in finding.fixes]
    return [fix for fix in named if fix.keys() <= set(Changes.__struct_fields__)]


class Changes(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """What the page may decide, named as in `shoot.deciding.Overrides`; None leaves it as it is."""

    left: str | None = None
    right: str | None = None
    pair: tuple[str, ...] | None = None
    window: str | tuple[float, float] | None = None
    aspect: str | None = None
    crop: str | tuple[int, int, int, int] | None = None
    floating: str | None = None
    base_share: float | None = None
    light: str | None = None
    screen_width_mm: float | None = None
    distance_mm: float | None = None
    eyes_mm: float | None = None
    glasses: str | None = None
    method: str | None = None
    shift_px: float | None = None
    raise_px: float | None = None
    turn_deg: float | None = None
    scale: float | None = None
    retouches: tuple[Retouch, ...] | None = None


class Decide(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """A change, made on the decisions with this revision."""

    revision: str
    changes: Changes


class Run(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """Bring the shoot up to a stage; from a card, with the eyes as they are named here."""

    until: str
    left: str | None = None
    right: str | None = None


class Move(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """Frames of the card by name → station, or "" to set them aside; None puts all back."""

    moves: dict[str, str] | None


class Try(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """Show what the pair would be with these retouches, at the places of those in `where`."""

    retouches: Annotated[list[Retouch], msgspec.Meta(max_length=200)]
    where: Annotated[list[Retouch], msgspec.Meta(min_length=1, max_length=100)]


class Measured(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """A calibration file of glasses: its name and what it says."""

    name: Annotated[str, msgspec.Meta(min_length=1, max_length=255, pattern=r"^[^/\\\x00-\x1f]+\.toml$")]
    text: Annotated[str, msgspec.Meta(max_length=16384)]


class Publish(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """Make forms by name."""

    forms: Annotated[list[str], msgspec.Meta(min_length=1, max_length=100)]
