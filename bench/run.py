"""Everything the README quotes: errors, rates, speed, memory, start-up. Folders given are added to the sample photos.

python bench/run.py [FOLDER ...] [--quick]
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import accuracy
import speed
from photos import photos_in

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "folders", nargs="*", type=Path, help="folders of photos with NAME.truth.csv beside them"
    )
    parser.add_argument("--quick", action="store_true", help="leave the drawn rates out")
    given = parser.parse_args()
    print(speed.environment())
    for folder in (SAMPLES, *given.folders):
        print(f"\nErrors on {folder.name}")
        accuracy.table(photos_in(folder))
    first = next(photos_in(SAMPLES))
    print("\nSpeed")
    speed.stages(first.photo)
    with tempfile.TemporaryDirectory() as folder:
        for count in (300, 1000):
            speed.stages(drawn_photo(Path(folder), count))
    print("\nBeside the plain recipe")
    speed.beside_the_plain_recipe(first.photo, first.truth)
    speed.memory(first.photo)
    speed.start_up(first.photo)
    if not given.quick:
        import compare_parting
        import difficulties
        import drawn_rates
        import views

        print("\nRates on drawn trays")
        drawn_rates.main()
        print("\nTrends with place and direction on drawn trays")
        views.main()
        print("\nParting beside the two usual ways")
        compare_parting.main(given.folders)
        print("\nOne difficulty at a time, drawn")
        difficulties.main()


def drawn_photo(folder: Path, count: int) -> Path:
    """Write a drawn 12 MP tray of so many pieces lying apart and return its path."""
    from traygauge_shared.scenes import Batch, draw, phone_over, tray, write_drawn

    scene = tray(
        Batch(count=count, nominal_mm=2.0 if count > 500 else 3.0, long_fraction=0.02),
        seed=count,
        camera=phone_over(tilt_deg=3.0),
        gap_mm=0.25,
    )
    write_drawn(draw(scene), folder, f"drawn_{count}")
    return folder / f"drawn_{count}.jpg"


if __name__ == "__main__":
    main()
