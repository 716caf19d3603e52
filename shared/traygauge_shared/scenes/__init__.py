"""Drawn scenes: photos of trays whose truth is known exactly.

Pieces, sheet, camera, light and sensor are plain frozen values; `draw` turns them into pixels, label images and
a truth table with the columns of the test photos. Nothing here knows the measuring code, and the geometry is
exact (analytic area coverage, no path tracing), so what is measured can be held against it::

    from traygauge_shared.scenes import Scene, StrandPiece, Tail, draw, phone_over, simple_scene, write_drawn

    drawn = draw(simple_scene(seed=1, n=30))         # 2 MP, 30 pieces lying apart on a black window
    drawn.pixels                                     # (height, width, 3) uint8 sRGB, as stored
    drawn.labels, drawn.parts                        # piece ids and part codes per pixel
    drawn.truth[0]["length_mm"]                      # one mapping a piece
    drawn.camera.project([[96.0, 66.0, 0.0]])        # exact pixels of sheet points (x, y, height)
    write_drawn(drawn, "out", "tray")                # tray.jpg, .truth.csv, .scene.json, .labels.png, .parts.png

    one = StrandPiece(96, 66, axis_deg=30, length_mm=3.2, cut_deg=(10, 0), tails=(Tail(length_mm=2),))
    draw(Scene((one,), phone_over(tilt_deg=5, width=2000, height=1500)))

Whole batches: `Batch` settings -> `make_pieces` -> `scatter` (apart) or `loose` (touching, crossing, heaped), or
`tray(batch, seed=...)` in one go. Ready-made: `simple_scene`, `scan_scene`, `groups_scene` (touching in every way
that `arrange` knows), `case_scene(name)` (one difficulty of `CASES` at a time), `hard_scenes(seed)` (an endless,
varied stream). A scene's parts are frozen: `dataclasses.replace` changes one.

Cost, measured on a busy two-core server: 12 MP with 300 pieces 6 s of CPU, 2 MP with 30 pieces 0.5 s, an empty
12 MP tray 1.3 s. In memory: `decode_photo(photo_bytes(drawn), "drawn.jpg")` gives the photo as if from its file.
"""

from traygauge_shared.scenes.camera import PhoneCamera, ScanCamera, SceneCamera, phone_over, scan_of
from traygauge_shared.scenes.cases import CASES, Case, case_scene
from traygauge_shared.scenes.draw import Drawn, draw
from traygauge_shared.scenes.files import photo_bytes, truth_csv, write_drawn
from traygauge_shared.scenes.hard import hard_scene, hard_scenes
from traygauge_shared.scenes.jpeg import jpeg_bytes, write_jpeg
from traygauge_shared.scenes.place import loose, moved_to, scatter, scatter_groups
from traygauge_shared.scenes.populate import Batch, blended, make_pieces
from traygauge_shared.scenes.samples import LIGHTS, groups_of, groups_scene, scan_scene, simple_scene, tray
from traygauge_shared.scenes.setting import (
    Board,
    Hair,
    Lamp,
    Lighting,
    Scene,
    Scratch,
    Sensor,
    Sheet,
    Speck,
)
from traygauge_shared.scenes.things import Burr, Crumb, Double, Flake, StrandPiece, Tail, Thing
from traygauge_shared.scenes.truth import COLUMNS

__all__ = [
    "CASES",
    "COLUMNS",
    "LIGHTS",
    "Batch",
    "Board",
    "Burr",
    "Case",
    "Crumb",
    "Double",
    "Drawn",
    "Flake",
    "Hair",
    "Lamp",
    "Lighting",
    "PhoneCamera",
    "ScanCamera",
    "Scene",
    "SceneCamera",
    "Scratch",
    "Sensor",
    "Sheet",
    "Speck",
    "StrandPiece",
    "Tail",
    "Thing",
    "blended",
    "case_scene",
    "draw",
    "groups_of",
    "groups_scene",
    "hard_scene",
    "hard_scenes",
    "jpeg_bytes",
    "loose",
    "make_pieces",
    "moved_to",
    "phone_over",
    "photo_bytes",
    "scan_of",
    "scan_scene",
    "scatter",
    "scatter_groups",
    "simple_scene",
    "tray",
    "truth_csv",
    "write_drawn",
    "write_jpeg",
]
