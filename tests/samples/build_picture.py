"""Draw README's picture anew from the samples: a page of the report with a reject tag in its corner.

Run it as ``python tests/samples/build_picture.py``; it needs ``pdftoppm`` (Debian: poppler-utils) and Pillow, which
matplotlib brings along.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image, ImageChops

ROOT = Path(__file__).resolve().parents[2]
PAGE, WIDTH = 2, 900  #: page of the report; width in pixels


def page(pdf: Path, number: int, dots: int) -> Image.Image:
    """Return a page as a picture, its white margins cut off."""
    words = ["pdftoppm", "-r", str(dots), "-f", str(number), "-l", str(number), "-png"]
    subprocess.run([*words, pdf, pdf.with_suffix("")], check=True)
    (file,) = pdf.parent.glob(f"{pdf.stem}-*.png")
    with Image.open(file) as opened:
        picture = opened.convert("RGB")
    box = ImageChops.difference(picture, Image.new("RGB", picture.size, "white")).getbbox()
    return picture.crop(box) if box else picture


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        out = Path(name) / "report"
        words = ["check", "tolerances/bl7.toml", "sample_measurements/bl7_S-0108.xlsx", "--out", str(out)]
        subprocess.run([sys.executable, "-m", "holeqc", *words], cwd=ROOT, stdout=subprocess.DEVNULL, check=False)
        report, tag = page(out / "report.pdf", PAGE, 110), page(out / "tags.pdf", 1, 110)
    tag = tag.crop((0, 0, tag.width // 2, min(tag.height, tag.width * 7 // 10)))
    space = 24
    whole = Image.new("RGB", (report.width + tag.width + 3 * space, report.height + 2 * space), "white")
    whole.paste(report, (space, space))
    whole.paste(tag, (report.width + 2 * space, space))
    whole.thumbnail((WIDTH, WIDTH), Image.Resampling.LANCZOS)
    (ROOT / ".pictures").mkdir(exist_ok=True)
    whole.quantize(64).save(ROOT / ".pictures" / "report_and_tag.png", optimize=True)


if __name__ == "__main__":
    main()
