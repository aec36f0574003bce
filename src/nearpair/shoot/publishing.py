"""Publishing: forms of a mounted pair that were asked for by name, each made only if it is not up to date."""

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import msgspec

from nearpair.errors import NearpairError
from nearpair.outputs.catalogue import Form, form_named
from nearpair.progress import Progress, silent
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import AboutDecisions, save
from nearpair.shoot.exporting import Ready
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.forms_made import MAKERS
from nearpair.shoot.material import Material, Settings
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.outlog import Output, as_mounted, log, logged, names_below
from nearpair.shoot.run import run

FOLDER = "forms"
"""Folder below the outputs in which published forms lie."""

_AS_USUAL = Settings()
_AS_DECIDED = Overrides()


class Written(msgspec.Struct, frozen=True):
    """One form that is there now: its files, what viewers have to know, and whether it was made just now."""

    name: str
    files: list[str]
    notes: list[str]
    made: bool


class Published(msgspec.Struct, frozen=True):
    """The forms that were asked for, in that order."""

    forms: list[Written]


def publish(
    shoot: Path,
    names: Sequence[str],
    settings: Settings = _AS_USUAL,
    about: dict[str, str] | None = None,
    overrides: Overrides = _AS_DECIDED,
    progress: Progress = silent,
) -> Published:
    """Bring a shoot up to date as far as mounting, and make the forms with these names.

    about: what is said of the picture from now on, by the keys of `[about]`. Raises NearpairError for a name
    that is not known, before anything is done.
    """
    forms = [form_named(name) for name in dict.fromkeys(names)]
    if not forms:
        raise NearpairError("No form was named.", "See all with `nearpair export --list`.")
    written: list[Written] = []

    def exporter(shoot: ShootFolder, memo: Memo, ready: Ready, progress: Progress) -> None:
        told = _told(shoot, ready, about or {})
        material = Material(shoot, told, settings, progress)
        for number, form in enumerate(forms):
            progress("making the forms", number, len(forms))
            written.append(made_form(shoot, memo, material, form))
        progress("making the forms", len(forms), len(forms))

    run(shoot, "export", overrides, progress, exporter)
    return Published(written)


def _told(folder: ShootFolder, ready: Ready, about: dict[str, str]) -> Ready:
    """Put what is said of the picture into its decisions, and keep it."""
    before = ready.decisions
    after = msgspec.structs.replace(before, about=msgspec.structs.replace(before.about, **about))
    try:
        msgspec.convert(msgspec.to_builtins(after.about), AboutDecisions)
    except msgspec.ValidationError as error:
        raise NearpairError(f"This text is too long ({error}).", "Shorten it.") from error
    if after != before:
        save(folder.toml, after)
    return dataclasses.replace(ready, decisions=after)


def made_form(folder: ShootFolder, memo: Memo, material: Material, form: Form) -> Written:
    """Make one form, unless the same was made before."""
    logged(folder)  # that of a newer nearpair is refused before anything is written
    ready, stage = material.ready, f"form-{form.name}"
    path = folder.out(f"{FOLDER}/{form.name}{form.suffix}")
    maker = MAKERS[form.name]
    used = {name: getattr(material.settings, name) for name in maker.uses}
    made_from = as_mounted(folder, memo, ready.decisions, ready.mounted).made_from(
        maker.shows(material.settings)
    )
    key = key_of(ready.mounted.key, made_from, used)
    files = [path / name for name in maker.names] if maker.names else [path]
    recalled = memo.recall(stage, key, files)
    notes = maker.make(material, path) if recalled is None else msgspec.json.decode(recalled)
    if recalled is None:
        memo.record(stage, key, files, msgspec.json.encode(notes))
    log(folder, [Output(names_below(folder, files), made_from, form.name, used)])
    return Written(form.name, [str(file) for file in files], notes, made=recalled is None)
