"""The card is pulled out while a run reads from it: nothing is lost, and it goes on once it is back.

The folder is renamed: rights would not stop the superuser, a folder that is gone stops everybody.
"""

import errno
import os
import shutil

import pytest

from nearpair.errors import GoneError, SourceError, UnreadableError
from nearpair.frames.formats import unreadable
from nearpair.shoot import reading
from nearpair.shoot.material import Settings
from nearpair.shoot.publishing import publish
from nearpair.shoot.run import look, make
from support.tiny import contents, shells

FORMS = ("anaglyph", "gltf", "card")
SMALL = Settings(size_px=100)
# what a run says just before the card is pulled, in its order
MOMENTS = (
    ("reading the headers", 4),
    ("looking at the frames", 3),
    ("looking at the frames", 8),
    ("left: looking through the frames", 2),
    ("right: merging", 2),
)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Folders on a card, and a shoot that was made of them without disturbance."""
    folder = tmp_path_factory.mktemp("whole")
    folders = shells(folder / "card")
    make(folders, folder / "shoot")
    return folders, folder / "shoot"


class Card:
    """A card that is pulled out when a run says this."""

    def __init__(self, folder):
        self.folder, self.pulled, self.moment = folder, folder.with_name("pulled"), None

    def __call__(self, what, done, total):
        if (what, done) == self.moment:
            self.folder.rename(self.pulled)
            self.moment = None

    def put_in(self):
        self.pulled.rename(self.folder)


def test_pulled_out_again_and_again(whole, tmp_path):
    folders, shoot = whole[0], tmp_path / "shoot"
    card = Card(folders[0].parent)
    for moment in MOMENTS:
        card.moment = moment
        with pytest.raises((GoneError, SourceError), match=r"card/(left|right)") as told:
            make(folders, shoot, progress=card)
        assert card.moment is None
        assert "card is in" in told.value.remedy
        assert not list(shoot.rglob("*nearpair-part*"))
        card.put_in()
    make(folders, shoot)
    assert contents(shoot) == contents(whole[1])


def test_published_without_the_card(whole, tmp_path):
    """What pictures carry of their frames must not depend on whether the card was in."""
    folders, shoot = whole
    shutil.copytree(shoot, tmp_path / "disturbed")
    publish(shoot, FORMS, SMALL)
    card = Card(folders[0].parent)
    card.moment = ("making the forms", 0)
    with pytest.raises(GoneError, match="cannot be read"):
        publish(tmp_path / "disturbed", FORMS, SMALL, progress=card)
    card.put_in()
    publish(tmp_path / "disturbed", FORMS, SMALL)
    assert contents(tmp_path / "disturbed") == contents(shoot)
    shutil.rmtree(shoot / "out" / "forms")
    make(whole[0], shoot)  # the list of outputs forgets them


def test_what_the_system_kept_back_is_not_remembered_as_broken(whole, tmp_path, monkeypatch):
    """A reader with a loose contact: the frame is left out this time, and used the next."""
    folders, shoot = whole[0], tmp_path / "shoot"
    file = sorted(folders[0].iterdir())[2]
    decode = reading.read_pixels

    def loose(info, *arguments, **named):
        if info.path == file:
            raise unreadable(file, OSError(errno.EIO, os.strerror(errno.EIO)))
        return decode(info, *arguments, **named)

    monkeypatch.setattr(reading, "read_pixels", loose)
    assert [aside.file for aside in make(folders, shoot).set_aside] == [file.name]
    monkeypatch.undo()
    assert make(folders, shoot).set_aside == []
    assert contents(shoot) == contents(whole[1])


def test_a_link_that_leads_nowhere_is_no_card_that_was_pulled_out(tmp_path):
    left, right = shells(tmp_path / "card")
    (left / "nowhere.jpg").symlink_to(left / "missing.jpg")
    assert len(look([left, right]).stations) == 2


@pytest.mark.parametrize(
    ("number", "there", "kind"),
    [
        (errno.ENOENT, False, GoneError),
        (errno.ENODEV, True, GoneError),
        (errno.EIO, True, UnreadableError),
        (errno.EACCES, True, UnreadableError),
    ],
)
def test_what_is_gone_and_what_only_cannot_be_read(tmp_path, number, there, kind):
    if there:
        (tmp_path / "a.jpg").write_bytes(b"x")
    error = unreadable(tmp_path / "a.jpg", OSError(number, os.strerror(number)))
    assert type(error) is kind
    assert str(tmp_path / "a.jpg") in error.message
    assert os.strerror(number) in error.message
