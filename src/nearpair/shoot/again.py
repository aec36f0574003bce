"""Outputs that show an earlier state of the picture: which these are, and how they are made again."""

from collections.abc import Sequence
from pathlib import Path

import msgspec

from nearpair.errors import NearpairError
from nearpair.outputs.catalogue import FORMS, form_named
from nearpair.progress import Progress, silent
from nearpair.shoot.contactsheet import SHEET
from nearpair.shoot.deciding import NOTHING
from nearpair.shoot.exporting import Ready, export_again
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.material import Material, Settings
from nearpair.shoot.memo import Memo
from nearpair.shoot.outlog import Age, Output, as_mounted, logged, now
from nearpair.shoot.publishing import Written, made_form
from nearpair.shoot.run import program, run

_SUFFIXES = {form.suffix for form in FORMS} | {".tif"}


class Remade(msgspec.Struct, frozen=True):
    """What was made again: outputs that every shoot has, and forms; `failed`: what could not be, and why."""

    files: list[str]
    forms: list[Written]
    failed: list[str]


def outputs(shoot: ShootFolder) -> list[str]:
    """Names below `out` of the finished outputs that are there."""
    out = shoot.outlog.parent
    if not out.is_dir():
        return []
    found = (path for path in out.rglob("*") if path.is_file() and path.suffix in _SUFFIXES)
    return sorted(path.relative_to(out).as_posix() for path in found)


def ages(shoot: ShootFolder) -> list[Age]:
    """Of every output whether it shows the picture as it is now. Reads no frame and makes nothing.

    What changed in the frames themselves is seen by the next run only. Raises NewerVersionError, and
    ShootError for decisions that cannot be read.
    """
    present = now(shoot, Memo(shoot.cache, program()))
    known = {file: output for output in logged(shoot) for file in output.files}
    why = {file: present.why_older(output) for file, output in known.items()}
    names = [name for name in outputs(shoot) if name != SHEET]  # the sheet is drawn anew by every run
    return [Age(name, why.get(name, ""), name in known) for name in names]


def again(shoot: Path, progress: Progress = silent) -> Remade:
    """Bring a shoot up to date as far as mounting, and make every older output again as it was made.

    One that cannot be made keeps no other from it.
    """
    work: list[_Again] = []

    def exporter(shoot: ShootFolder, memo: Memo, ready: Ready, progress: Progress) -> None:
        present = as_mounted(shoot, memo, ready.decisions, ready.mounted)
        older = [output for output in logged(shoot) if present.why_older(output)]
        work.append(_Again(shoot, memo, ready, progress))
        work[0].usual([output for output in older if output.usual])
        work[0].forms([output for output in older if output.form])

    run(shoot, "export", NOTHING, progress, exporter)
    return work[0].remade


class _Again:
    """Makes older outputs of one shoot again."""

    def __init__(self, folder: ShootFolder, memo: Memo, ready: Ready, progress: Progress) -> None:
        self._made_with = folder, memo, ready
        self._progress = progress
        self._material: Material | None = None
        self.remade = Remade([], [], [])

    def usual(self, older: Sequence[Output]) -> None:
        """Make these of the outputs that every shoot has; anaglyphs for other glasses one by one."""
        own = [output for output in older if not output.glasses]
        for some in (own, *([output] for output in older if output.glasses)):
            try:
                files = [str(file) for file in export_again(*self._made_with, some, self._progress)]
                self.remade.files.extend(file for file in files if file not in self.remade.files)
            except NearpairError as error:
                self.remade.failed.append(f"{some[0].files[0]}: {error}")

    def forms(self, older: Sequence[Output]) -> None:
        """Make these forms, each with its settings."""
        folder, memo, _ = self._made_with
        for number, output in enumerate(older):
            self._progress("making the forms", number, len(older))
            try:
                form = form_named(output.form)
                self.remade.forms.append(made_form(folder, memo, self._for(output), form))
            except NearpairError as error:
                self.remade.failed.append(f"{output.files[0]}: {error}")
        if older:
            self._progress("making the forms", len(older), len(older))

    def _for(self, output: Output) -> Material:
        """What its maker works with; pictures that were read for the same settings are used again."""
        folder, _, ready = self._made_with
        try:
            settings = msgspec.convert(output.settings, Settings)
        except msgspec.ValidationError as error:
            raise NearpairError(f"How it was made is not known any more ({error}).", _BY_NAME) from error
        if self._material is None or self._material.settings != settings:
            self._material = Material(folder, ready, settings, self._progress)
        return self._material


_BY_NAME = "Make it by its name: `nearpair export SHOOT --as NAME`."
