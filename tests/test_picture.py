"""Pictures: what is seen, where, in which colour, and that the bytes never change."""

import io

import numpy as np
import pytest

from meshtools.errors import GeometryError
from meshtools.geometry.picture import VIEWS, contact_sheet, encode_png, render_picture, render_seen, round_length
from meshtools.model import Mesh

BLUE, ORANGE = (0, 114, 178), (230, 159, 0)


def box(size: tuple[float, float, float], offset: tuple[float, float, float] = (0, 0, 0)) -> Mesh:
    """A closed box, outward."""
    import trimesh

    solid = trimesh.creation.box(extents=size)
    return Mesh.create(np.asarray(solid.vertices) + offset, solid.faces)


def colours(mesh: Mesh, colour: tuple[int, int, int]) -> np.ndarray:
    """One colour for all faces."""
    return np.tile(np.array(colour, np.uint8), (len(mesh.faces), 1))


def drawn(picture: np.ndarray) -> np.ndarray:
    """Which pixels are not white."""
    return np.asarray((picture < 250).any(axis=2))


def test_hatched_faces_are_striped_black_and_white_and_no_others() -> None:
    """A box seen from the front, its front face hatched; then a face behind."""
    mesh = box((40, 20, 10))
    is_front = (np.abs(mesh.vertices[mesh.faces][:, :, 1] + 10.0) < 1e-9).all(axis=1)
    for hatched, is_striped in ((is_front, True), (np.abs(mesh.vertices[mesh.faces][:, :, 1] - 10.0).max(axis=1) < 1e-9, False)):
        picture = render_seen(mesh, colours(mesh, (150, 150, 150)), VIEWS["front"], (200, 120), scale_bar=False, hatched=hatched)
        middle = picture[40:80, 60:140]
        assert ((middle.min(), middle.max()) == (0, 255)) == is_striped


@pytest.mark.parametrize(("view", "width", "height"), [("front", 40, 10), ("left", 20, 10), ("top", 40, 20), ("bottom", 40, 20), ("right", 20, 10)])
def test_a_box_has_the_outline_of_its_view(view: str, width: float, height: float) -> None:
    """A box of 40 x 20 x 10 mm shows its true proportions from each side and fills the picture to the margin."""
    mesh = box((40, 20, 10))
    shown = drawn(render_picture(mesh, colours(mesh, BLUE), view, (300, 200), scale_bar=False))
    rows, columns = np.flatnonzero(shown.any(axis=1)), np.flatnonzero(shown.any(axis=0))
    px_width, px_height = np.ptp(columns) + 1, np.ptp(rows) + 1
    assert px_width / px_height == pytest.approx(width / height, rel=0.03)
    assert max(px_width / 300, px_height / 200) == pytest.approx(0.88, abs=0.015)
    assert shown.sum() == pytest.approx(px_width * px_height, rel=0.02)


def test_the_top_and_the_left_of_the_object_are_at_the_top_and_the_left() -> None:
    """Seen from the front, +x is right and +z is up: an orange block up and to the right of a blue one is drawn there."""
    low, high = box((10, 10, 10)), box((10, 10, 10), offset=(20, 0, 20))
    mesh = Mesh.create(np.concatenate([low.vertices, high.vertices]), np.concatenate([low.faces, high.faces + 8]))
    picture = render_picture(mesh, np.concatenate([colours(low, BLUE), colours(high, ORANGE)]), "front", (200, 200), scale_bar=False)
    is_orange = drawn(picture) & (picture[..., 0] > picture[..., 2])
    is_blue = drawn(picture) & (picture[..., 2] > picture[..., 0])
    assert np.argwhere(is_orange)[:, 0].max() < np.argwhere(is_blue)[:, 0].min()
    assert np.argwhere(is_orange)[:, 1].min() > np.argwhere(is_blue)[:, 1].max()


def test_the_near_side_hides_the_far_side() -> None:
    """From the front the face at low y is seen, from the back the one at high y."""
    mesh = box((10, 10, 10))
    is_far = mesh.vertices[mesh.faces].mean(axis=1)[:, 1] > 4.9
    paint = np.where(is_far[:, None], np.uint8(ORANGE), np.uint8(BLUE))
    front, back = (render_picture(mesh, paint, view, (100, 100), scale_bar=False)[50, 50] for view in ("front", "back"))
    assert front[2] > front[0]
    assert back[0] > back[2]


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    """A box 88 mm wide in a picture 500 px wide is drawn at 0.2 mm a pixel; the bar of 20 mm is 100 px."""
    mesh = box((88, 1, 20))
    picture = render_picture(mesh, colours(mesh, BLUE), "front", (500, 300))
    bar = picture[300 - 13 - 1]
    black = np.flatnonzero((bar == 0).all(axis=1))
    longest = max(np.split(black, np.flatnonzero(np.diff(black) > 1) + 1), key=len)
    assert len(longest) == 100


@pytest.mark.parametrize(("longest", "length"), [(0.9, 0.5), (1.0, 1.0), (4.99, 2.0), (57.0, 50.0), (200.0, 200.0)])
def test_bar_lengths_are_round(longest: float, length: float) -> None:
    """1, 2 or 5 times a power of ten, never longer than the room."""
    assert round_length(longest) == pytest.approx(length)


def test_the_same_mesh_gives_the_same_bytes_far_from_home_too() -> None:
    """Pictures hold no date, and a mesh shifted by a kilometre looks the same."""
    from PIL import Image

    mesh = box((8, 4, 2))
    first, again = (encode_png(render_picture(mesh, colours(mesh, BLUE), "oblique", (120, 90))) for _ in range(2))
    far = mesh.replaced(vertices=mesh.vertices + 2.0**20)
    assert first == again == encode_png(render_picture(far, colours(far, BLUE), "oblique", (120, 90)))
    with Image.open(io.BytesIO(first)) as image:
        assert image.size == (120, 90)
        assert image.info == {}


def test_a_contact_sheet_holds_every_picture() -> None:
    """Seven pictures in three columns make three rows of equal cells."""
    mesh = box((8, 4, 2))
    pictures = [render_picture(mesh, colours(mesh, ORANGE), view, (80, 60)) for view in VIEWS]
    sheet = contact_sheet(pictures, list(VIEWS))
    assert sheet.shape[1] == 240
    assert sheet.shape[0] % 3 == 0
    assert np.array_equal(sheet[:60, 80:160], pictures[1])


def test_what_cannot_be_drawn_is_said() -> None:
    """An unknown view and colours that do not fit are refused with what to do; a mesh without faces is a white page."""
    mesh = box((1, 1, 1))
    with pytest.raises(GeometryError, match="front, back, left"):
        render_picture(mesh, colours(mesh, BLUE), "sideways", (50, 50))
    with pytest.raises(GeometryError, match="one colour a face"):
        render_picture(mesh, np.zeros((3, 3), np.uint8), "front", (50, 50))
    empty = Mesh.create(np.zeros((0, 3)), np.zeros((0, 3)))
    assert (render_picture(empty, np.zeros((0, 3), np.uint8), "front", (50, 40)) == 255).all()
