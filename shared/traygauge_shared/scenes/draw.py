"""Drawing a scene: geometry, light, sensor, truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from traygauge_shared.scenes.camera import SceneCamera
from traygauge_shared.scenes.ground import Picture, reflectance
from traygauge_shared.scenes.lamps import FloorLight, open_floor_light
from traygauge_shared.scenes.mesh import BODY
from traygauge_shared.scenes.neighbours import openness
from traygauge_shared.scenes.raster import Fragments, rasterise
from traygauge_shared.scenes.sensor_chain import develop
from traygauge_shared.scenes.setting import Scene
from traygauge_shared.scenes.shade import MATTER, Spots, floor_mirror, radiance
from traygauge_shared.scenes.solid import Solid, seen_from_below, solid_of
from traygauge_shared.scenes.things import StrandPiece, colour_rgb
from traygauge_shared.scenes.truth import truth_rows

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

_FINE_PX = 0.004  # how far a silhouette may lie from the exact one
_LID_GAP_MM = 0.5  # between the thickest piece on a scanner's glass and its lid


@dataclass(frozen=True, eq=False)
class Drawn:
    """A drawn photo and everything that is true of it.

    Parameters
    ----------
    pixels : ndarray (height, width, 3), uint8 RGB, as stored (EXIF orientation not applied).
    labels : ndarray (height, width), uint16: id of the piece that fills the pixel's larger part, 0 none.
    parts : ndarray (height, width), uint8: 0 body (and floor), 1 tail, 2 burr, 3 string, 4 web.
    truth : one mapping a piece, columns `truth.COLUMNS`.
    camera : the exact camera.
    scene : what was drawn.
    """

    pixels: npt.NDArray[np.uint8]
    labels: npt.NDArray[np.uint16]
    parts: npt.NDArray[np.uint8]
    truth: list[dict[str, Any]]
    camera: SceneCamera
    scene: Scene


def draw(scene: Scene) -> Drawn:
    """Return the photo of a scene with its truth; the same scene gives the same pixels."""
    camera = scene.camera
    rng = np.random.default_rng([scene.seed, 1])
    solids = [solid_of(thing, _FINE_PX / camera.px_per_mm) for thing in scene.pieces]
    shown = [seen_from_below(solid) for solid in solids] if camera.flat else solids
    fragments = rasterise([s.meshes for s in shown], camera, camera.width, camera.height)
    picture = Picture(camera, scene.sheet)
    floor = FloorLight(
        scene.light, _occluders(shown), _grid_scale(scene), _lid_mm(shown) if camera.flat else 0.0
    )
    image = reflectance(picture, scene.litter, rng)
    _light_floor(image, picture, floor, scene)
    spots_light = _piece_light(scene, shown, fragments)
    _lay_over(image, fragments, spots_light)
    _over_all(image, picture, scene)
    white = open_floor_light(scene.light) * np.array(scene.sheet.paper)
    pixels = develop(image, scene.sensor, white, rng)
    labels, parts = _label_images(fragments, camera.width, camera.height)
    limits = _limits(scene)
    truth = truth_rows(scene.pieces, solids, fragments, labels, camera, limits)
    return Drawn(pixels, labels, parts, truth, camera, scene)


def _limits(scene: Scene) -> tuple[float, float, float, float] | None:
    if scene.camera.flat:
        scale = scene.camera.px_per_mm
        return 0.0, 0.0, scene.camera.width / scale, scene.camera.height / scale
    return scene.sheet.window_mm


def _lid_mm(shown: Sequence[Solid]) -> float:
    """Return how far behind the glass a scanner's lid comes to lie, mm."""
    return _LID_GAP_MM - min((float(m.points[:, 2].min()) for s in shown for m in s.meshes), default=0.0)


def _grid_scale(scene: Scene) -> float:
    """Return the px/mm of the floor's light grid: as fine as the picture where a lamp is hard."""
    hard = any(lamp.spread_deg < 4 for lamp in scene.light.lamps)
    return min(scene.camera.px_per_mm, 16.0 if hard else 7.0)


def _occluders(solids: Sequence[Solid]) -> list[tuple[FloatArray, float]]:
    """Return point sets whose convex hulls throw the shadows, with how dark each is.

    Bodies whole, threads in short lengths.
    """
    out = []
    for solid in solids:
        dark = MATTER[solid.material].shadow
        for mesh in solid.meshes:
            if mesh.part == BODY:
                out.append((mesh.points[:: max(1, len(mesh.points) // 90)], dark))
            else:
                rings = mesh.points[: len(mesh.points) // 14 * 14 - 14].reshape(-1, 14, 3)
                parts = range(0, max(len(rings) - 1, 1), 4)
                out += [(rings[k : k + 5, ::3].reshape(-1, 3), dark) for k in parts]
    return out


def _light_floor(image: Image, picture: Picture, floor: FloorLight, scene: Scene) -> None:
    """Multiply the floor's reflectance by the light it gets, and add what it mirrors."""
    if floor.grid is None:
        image *= floor.open_light.astype(np.float32)
    else:
        x, y = picture.floor_map()
        for top in range(0, picture.height, 512):  # in bands: no second picture in memory
            band = slice(top, top + 512)
            image[band] *= floor.at(x[band], y[band])
    if scene.sheet.gloss:
        v, u = np.mgrid[0 : picture.height : 16, 0 : picture.width : 16]
        plane = scene.camera.to_height(np.stack([u, v], -1).reshape(-1, 2).astype(float))
        view = scene.camera.view(np.concatenate([plane, np.zeros((len(plane), 1))], 1))
        mirror = floor_mirror(view, scene.light, scene.sheet.gloss).reshape(*u.shape, 3)
        image += cv2.resize(mirror.astype(np.float32), (picture.width, picture.height))


def _piece_light(scene: Scene, solids: Sequence[Solid], f: Fragments) -> FloatArray:
    """Return the radiance (n, 3) of each fragment."""
    if len(f.piece) == 0:
        return np.zeros((0, 3))
    rng = np.random.default_rng([scene.seed, 2])
    count, camera = len(solids), scene.camera
    plane = camera.to_height(np.stack([f.column, f.row], -1), f.height)
    point = np.concatenate([plane, f.height[:, None]], 1)
    vary = (1 + 0.04 * rng.standard_normal((count, 1))) * (1 + 0.015 * rng.standard_normal((count, 3)))
    rgb = np.clip(np.array([s.rgb for s in solids]) * vary, 0.005, 0.95)[f.piece]
    matter = [MATTER[s.material] for s in solids]
    rough, diffused, clear = (
        np.array([getattr(m, name) for m in matter])[f.piece] for name in ("roughness", "diffused", "clear")
    )
    strand = np.array([isinstance(thing, StrandPiece) for thing in scene.pieces])[f.piece]
    face = (
        strand & (f.part == BODY) & (f.surface > 0)
    )  # a cut is rougher than the flank, and each a little other
    tone = (1 + 0.05 * rng.standard_normal((count, 3)))[f.piece, np.minimum(f.surface, 2)]
    rgb[face] *= tone[face][:, None]
    sky, lamps = openness(point, f.normal, f.piece, solids, scene.light)
    spots = Spots(
        f.normal,
        camera.view(point),
        rgb,
        np.where(face, np.maximum(rough, 0.3), rough),
        diffused,
        clear,
        sky,
        lamps,
        np.ones(len(f.piece)) if camera.flat else np.clip(0.15 + f.height / 1.5, 0, 1),
    )
    return radiance(spots, scene.light, np.array(colour_rgb(scene.sheet.window)))


def _lay_over(image: Image, f: Fragments, light: FloatArray) -> None:
    """Lay the pieces over the floor by the area each fragment leaves visible."""
    if len(f.piece) == 0:
        return
    width = image.shape[1]
    pixel = f.row * width + f.column
    starts = np.nonzero(np.append(True, np.diff(pixel) != 0))[0]
    total = np.add.reduceat(f.seen, starts)
    weight = np.add.reduceat(f.seen[:, None] * light, starts)
    rows, columns = f.row[starts], f.column[starts]
    over = 1 / np.maximum(total, 1.0)  # rounding of exact areas may pass one by a hair
    floor = image[rows, columns] * (1 - np.minimum(total, 1.0))[:, None]
    image[rows, columns] = (floor + weight * over[:, None]).astype(np.float32)


def _over_all(image: Image, picture: Picture, scene: Scene) -> None:
    """Add what lies over everything: covers, the light's gradient, a flash's glare."""
    light = scene.light
    height, width = image.shape[:2]
    for corners, rgb in scene.sheet.covered:
        cover = np.clip(np.abs(picture.cover(np.array(corners, float)[None], parts=16)), 0, 1)[..., None]
        image += cover * ((np.array(rgb) * open_floor_light(light)).astype(np.float32) - image)
    y, x = np.mgrid[0:height:8, 0:width:8].astype(float)
    place = scene.camera.to_height(np.stack([x, y], -1))
    if light.gradient != 1.0:
        x0, y0, x1, y1 = _limits(scene) or (*place[0, 0], *place[-1, -1])
        way = np.array([np.cos(np.radians(light.gradient_deg)), np.sin(np.radians(light.gradient_deg))])
        reach = float(np.abs(way) @ np.abs([x1 - x0, y1 - y0])) / 2
        along = (place - [(x0 + x1) / 2, (y0 + y1) / 2]) @ way / reach
        field = light.gradient ** (np.clip(along, -1.5, 1.5) / 2)
        image *= cv2.resize(field.astype(np.float32), (width, height))[..., None]
    if light.glare is not None:
        glare_x, glare_y, radius, strength = light.glare
        r2 = ((place - [glare_x, glare_y]) ** 2).sum(-1) / radius**2
        spot = strength * (0.7 * np.exp(-r2 * 1.5) + 0.3 * np.exp(-r2 * 0.2))
        image += cv2.resize(spot.astype(np.float32), (width, height))[..., None]


def _label_images(
    f: Fragments, width: int, height: int
) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint8]]:
    """Return piece ids and part codes where pieces fill at least half of a pixel."""
    labels, parts = np.zeros((height, width), np.uint16), np.zeros((height, width), np.uint8)
    if len(f.piece) == 0:
        return labels, parts
    pixel = f.row * width + f.column
    order = np.lexsort((f.part, f.piece, pixel))
    pixel, piece, part, seen = pixel[order], f.piece[order], f.part[order], f.seen[order]
    starts = np.nonzero(np.append(True, (np.diff(pixel) != 0) | (np.diff(piece) != 0)))[0]
    share = np.add.reduceat(seen, starts)
    best = np.lexsort((share, pixel[starts]))  # within a pixel the largest share comes last
    at = pixel[starts][best]
    total = np.bincount(np.cumsum(np.append(True, np.diff(at) != 0)) - 1, share[best])
    last = np.append(np.diff(at) != 0, True)
    won = at[last][total >= 0.5]
    labels.ravel()[won] = (piece[starts][best][last][total >= 0.5] + 1).astype(np.uint16)
    bulk = np.lexsort((seen, pixel))
    tip = np.append(np.diff(pixel[bulk]) != 0, True)
    codes = np.zeros(height * width, np.uint8)
    codes[pixel[bulk][tip]] = part[bulk][tip]
    parts.ravel()[won] = codes[won]
    return labels, parts
