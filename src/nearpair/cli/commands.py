"""The commands: each takes its arguments, calls the shoot, and says what came out."""

from importlib.resources import as_file
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nearpair.cli import age_words, options, pair_words, say, words
from nearpair.cli.faults import told
from nearpair.cli.progress import shown

if TYPE_CHECKING:
    from nearpair.proof.model import Proof
    from nearpair.shoot.deciding import Overrides

DEMO_SHOOT = Path("demo-shoot")


def _finished(proof: "Proof", shoot: Path, as_json: bool) -> None:
    """Print a proof: as JSON on standard output, or as words."""
    from nearpair.proof.model import encode
    from nearpair.shoot.exporting import anaglyph_name
    from nearpair.shoot.folder import ShootFolder

    folder = ShootFolder(shoot)
    anaglyph = folder.out(anaglyph_name(proof.colour.glasses, proof.colour.method))
    summary = words.proof(proof, shoot, anaglyph, folder.proof_html)
    say.lines([*summary, *age_words.older(shoot)], to_stderr=as_json)
    if as_json:
        say.json(encode(proof))


@told
def demo(
    to: Annotated[Path, typer.Option("--to", metavar="SHOOT", help="The folder to make.")] = DEMO_SHOOT,
    as_json: options.Json = False,
) -> None:
    """Do the whole job on a small shoot that comes with nearpair.

    The frames show small gears: two focus stacks and a test shot in one folder, as a camera leaves them on
    its card. Doing it again is quick: what is finished stays.

    For example:

        nearpair demo
        nearpair demo --to somewhere/else
    """
    from nearpair.demo import demo_frames
    from nearpair.shoot.run import make as make_shoot

    with as_file(demo_frames()) as frames, shown(say.errors()) as progress:
        proof = make_shoot([frames], to, progress=progress)
    _finished(proof, to, as_json)


@told
def make(
    sources: options.Sources,
    to: Annotated[Path, typer.Option("--to", metavar="SHOOT", help="The folder to make or to go on with.")],
    left: options.Left = None,
    right: options.Right = None,
    pair: options.PairOf = None,
    window: options.WindowPlace = None,
    aspect: options.Aspect = None,
    floating: options.FloatingWhen = None,
    base_share: options.BaseShare = None,
    lens: options.LensName = None,
    light: options.LightOf = None,
    viewing: options.ViewingWay = None,
    screen_width: options.ScreenWidth = None,
    distance: options.Distance = None,
    eyes: options.Pupils = None,
    base: options.Base = None,
    step: options.Step = None,
    field_width: options.FieldWidth = None,
    sensor_width: options.SensorWidth = None,
    focal_length: options.FocalLength = None,
    glasses: options.GlassesName = None,
    method: options.Method = None,
    strict: options.Strict = None,
    as_json: options.Json = False,
) -> None:
    """Make a mounted, proofed pair from a card or from one folder for each station.

    Sorts the frames, merges each stack, finds the eyes, mounts the pair, exports it and proofs it. Frames are
    only ever read. A stopped run goes on where it was; settings are kept in SHOOT/shoot.toml.

    For example:

        nearpair make card --to quartz
        nearpair make left right --to quartz --glasses green-magenta
        nearpair make card --to quartz --window near --left b --right a
        nearpair make card --to quartz --screen-width 1200 --distance 2500 --json
        nearpair make card --to quartz --base 6.5 --step 0.5
        nearpair make card --to quartz --base-share 0.6
        nearpair make card --to quartz --pair station-1,station-3
    """
    from nearpair.shoot.deciding import Overrides
    from nearpair.shoot.run import make as make_shoot

    width, distance = options.seen(viewing, screen_width, distance)
    overrides = Overrides(
        left=left,
        right=right,
        pair=pair.value if pair else None,
        window=window.value if window else None,
        aspect=aspect,
        floating=floating.value if floating else None,
        base_share=base_share,
        lens=lens,
        light=light,
        screen_width_mm=width,
        distance_mm=distance,
        eyes_mm=eyes,
        base_mm=base,
        step_mm=step,
        field_width_mm=field_width,
        sensor_width_mm=sensor_width,
        focal_mm=focal_length,
        glasses=glasses,
        method=method,
        strict=strict,
    )
    with shown(say.errors()) as progress:
        proof = make_shoot(sources, to, overrides, progress)
    _finished(proof, to, as_json)


@told
def sort(sources: options.Sources, as_json: options.Json = False) -> None:
    """Say what is on a card: stations, stacks, order, eyes, what would be set aside. Changes nothing.

    For example:

        nearpair sort card
        nearpair sort left right --json
    """
    from nearpair.shoot.run import look

    with shown(say.errors()) as progress:
        found = look(sources, progress=progress)
    say.lines(words.look(found), to_stderr=as_json)
    if as_json:
        say.json(found)


@told
def pairs(
    shoot: options.Shoot,
    viewing: options.ViewingWay = None,
    screen_width: options.ScreenWidth = None,
    distance: options.Distance = None,
    eyes: options.Pupils = None,
    as_json: options.Json = False,
) -> None:
    """Rank all pairs that the stations of a shoot can make, and draw a contact sheet of them.

    Measured on small pictures: nothing is merged. The sheet is SHOOT/out/candidates.jpg, to be looked at
    through the glasses. Choose another pair with --pair of make or mount.

    For example:

        nearpair pairs quartz
        nearpair pairs quartz --screen-width 2000 --distance 4000
        nearpair pairs quartz --json
    """
    from nearpair.shoot.deciding import Overrides
    from nearpair.shoot.run import candidates

    width, distance = options.seen(viewing, screen_width, distance)
    overrides = Overrides(screen_width_mm=width, distance_mm=distance, eyes_mm=eyes)
    with shown(say.errors()) as progress:
        found = candidates(shoot, overrides, progress)
    say.lines(pair_words.pairs(found, shoot), to_stderr=as_json)
    if as_json:
        say.json(found)


@told
def merge(shoot: options.Shoot, strict: options.Strict = None) -> None:
    """Merge each stack of a shoot into one view that is sharp all over, with its focus map.

    For example:

        nearpair merge quartz --strict
    """
    from nearpair.shoot.deciding import Overrides

    _run(shoot, "merge", Overrides(strict=strict))
    say.lines(words.stage_done(shoot / "views", shoot))


@told
def mount(
    shoot: options.Shoot,
    left: options.Left = None,
    right: options.Right = None,
    pair: options.PairOf = None,
    window: options.WindowPlace = None,
    aspect: options.Aspect = None,
    crop: options.CropPlace = None,
    floating: options.FloatingWhen = None,
    base_share: options.BaseShare = None,
    lens: options.LensName = None,
    light: options.LightOf = None,
    shift: options.Shift = None,
    raised: options.Raise = None,
    turn: options.Turn = None,
    scale: options.Size = None,
) -> None:
    """Mount the pair: tell the eyes apart, turn, scale, level, place the window, crop, change the base.

    For example:

        nearpair mount quartz --window near
        nearpair mount quartz --window 812,540 --aspect 4:3
        nearpair mount quartz --crop 120,80,3000,2000
        nearpair mount quartz --left b --right a
        nearpair mount quartz --base-share 0.6
        nearpair mount quartz --light even
        nearpair mount quartz --shift 2.5 --raise 0.4
        nearpair mount quartz --pair station-1,station-3
    """
    from nearpair.shoot.deciding import Overrides

    overrides = Overrides(
        left=left,
        right=right,
        pair=pair.value if pair else None,
        window=window.value if window else None,
        aspect=aspect,
        crop=crop.value if crop else None,
        floating=floating.value if floating else None,
        base_share=base_share,
        lens=lens,
        light=light,
        shift_px=shift,
        raise_px=raised,
        turn_deg=turn,
        scale=scale,
    )
    _run(shoot, "mount", overrides)
    say.lines([*words.stage_done(shoot / "pair", shoot), *age_words.older(shoot)])


@told
def proof(
    shoot: options.Shoot,
    viewing: options.ViewingWay = None,
    screen_width: options.ScreenWidth = None,
    distance: options.Distance = None,
    eyes: options.Pupils = None,
    base: options.Base = None,
    step: options.Step = None,
    field_width: options.FieldWidth = None,
    sensor_width: options.SensorWidth = None,
    focal_length: options.FocalLength = None,
    glasses: options.GlassesName = None,
    method: options.Method = None,
    fix: options.Fix = False,
    as_json: options.Json = False,
) -> None:
    """Measure the mounted pair and write proof.json, proof.html and proof.pdf, with verdict and advice.

    Whatever is not up to date is made first.

    For example:

        nearpair proof quartz --screen-width 300 --distance 450
        nearpair proof quartz --viewing phone
        nearpair proof quartz --method grey
        nearpair proof quartz --base 6.5 --field-width 31
        nearpair proof quartz --fix
    """
    from nearpair.shoot.deciding import Overrides

    width, distance = options.seen(viewing, screen_width, distance)
    overrides = Overrides(
        screen_width_mm=width,
        distance_mm=distance,
        eyes_mm=eyes,
        base_mm=base,
        step_mm=step,
        field_width_mm=field_width,
        sensor_width_mm=sensor_width,
        focal_mm=focal_length,
        glasses=glasses,
        method=method,
    )
    found = _fixed(shoot, overrides) if fix else _run(shoot, "proof", overrides)
    if found is not None:
        _finished(found, shoot, as_json)


def _fixed(shoot: Path, overrides: "Overrides") -> "Proof":
    """Proof a shoot and try what may help without new frames."""
    from nearpair.shoot.fixing import fix

    with shown(say.errors()) as progress:
        found = fix(shoot, overrides, progress)
    if found.fixed is None:
        say.errors().print("Nothing that --fix can do: what is left needs new frames, or nothing is wrong.")
    return found


def _run(shoot: Path, stage: str, overrides: "Overrides") -> "Proof | None":
    """Run a shoot as far as one stage."""
    from nearpair.shoot.run import run as run_shoot

    with shown(say.errors()) as progress:
        return run_shoot(shoot, stage, overrides, progress)
