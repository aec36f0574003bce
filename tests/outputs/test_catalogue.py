"""The catalogue of forms: every one has a maker, and a wrong name leads to the right one."""

import pytest

from nearpair.errors import NearpairError
from nearpair.outputs.catalogue import FORMS, form_named
from nearpair.shoot.forms_made import MAKERS


def test_every_form_has_its_maker():
    assert [form.name for form in FORMS] == list(MAKERS)
    for form in FORMS:
        assert (form.suffix == "") == bool(MAKERS[form.name].names)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("crosed", "crossed"), ("rowinterleaved", "row-interleaved"), ("over-under", "top-bottom")],
)
def test_a_wrong_name_is_told_the_near_ones(typed, meant):
    with pytest.raises(NearpairError, match=f"no form named '{typed}'. Did you mean .*{meant}"):
        form_named(typed)


def test_a_name_like_no_other_is_told_where_to_look():
    with pytest.raises(NearpairError, match=r"'zzzz'\. See all with `nearpair export --list`"):
        form_named("zzzz")
