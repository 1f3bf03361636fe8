"""What a floor's drawing says of reception agrees with itself."""

from __future__ import annotations

from netaudit.capacity.places import WORD_DBM
from netaudit.publish.reception import receptions
from tests.publish.samples import plan
from tests.publish.test_drawing import HALL, boxes, floor_of, marked


def said(text: str) -> list[str]:
    """Give what the drawing of the only floor says in dBm."""
    return [box.text for box in boxes(floor_of(plan(text))) if "dBm" in box.text]


def test_an_access_point_without_a_place_says_nothing_of_its_band() -> None:
    """Where the one with 5 GHz stands nowhere, what is marked is the 2.4 GHz of the other, and 5 GHz is not praised."""
    text = HALL.format(width=60, name="a", eirp=0).replace('band = "5"', 'band = "2.4"')
    root = floor_of(plan(f'{text}[access_point.b]\n[[access_point.b.radio]]\nband = "5"\n'))
    assert marked(root, "weak")
    assert any(one.startswith("2.4 GHz weaker than") for one in (box.text for box in boxes(root)))
    assert not any(box.text.startswith("5 GHz") for box in boxes(root))


def test_no_floor_is_strong_everywhere_that_has_a_weak_room() -> None:
    """A far room too narrow for a mark keeps the sentence away that would say the contrary of its level."""
    near = HALL.format(width=4, name="a", eirp=20).replace('depth = "20 m"', 'depth = "12 m"')
    assert any("or stronger everywhere" in one for one in said(near))
    far = f'{near}[room.far]\nx = "60 m"\ny = "0 m"\nwidth = "0.3 m"\ndepth = "2 m"\n'
    assert [one.level_dbm < WORD_DBM["mid"] for one in receptions(plan(far))["far"]] == [True]
    assert not any("or stronger everywhere" in one for one in said(far))


def test_the_key_names_the_band_whichever_mark_it_has() -> None:
    """A far room with crosses alone: their key says of which band they are."""
    near = (
        HALL.format(width=4, name="a", eirp=10)
        .replace('y = "10 m"', 'y = "2 m"')
        .replace('depth = "20 m"', 'depth = "4 m"')
    )
    far = said(f'{near}[room.far]\nx = "60 m"\ny = "0 m"\nwidth = "4 m"\ndepth = "2 m"\n')
    assert "5 GHz weaker than \u221275\u00a0dBm: hardly any" in far


def test_what_finds_no_room_stands_at_the_foot_in_one_piece() -> None:
    """A room too low for three lines: level, rate and access point are read together, none of them cut."""
    text = HALL.format(width=30, name="a", eirp=20)
    beside = said(f'{text}[room.beside]\nx = "30 m"\ny = "0 m"\nwidth = "3 m"\ndepth = "1.2 m"\n')
    (foot,) = [one for one in beside if one.startswith("Without room for a label: ")]
    assert foot.count("beside: 5 GHz ") == 1
    assert foot.partition("beside: 5 GHz ")[2].partition(";")[0].endswith("b/s, from a")
