"""The picture of README.md from the papers of one demo horse: `python tests/readme_picture.py shimwright-demo/HORSE`.

The owner's page and the fitter's first page side by side, in 64 greys and colours to stay small.
"""

import sys
from pathlib import Path

import pypdfium2
from PIL import Image

PICTURE = Path(__file__).parents[1] / "app" / "picture.png"
SCALE = 1.25  # pixels per point


def readme_picture(folder: Path) -> Image.Image:
    """client.pdf and fitter.pdf of `folder`, first pages, on one picture."""
    pages = [
        pypdfium2.PdfDocument(folder / name)[0].render(scale=SCALE).to_pil() for name in ("client.pdf", "fitter.pdf")
    ]
    gap = 12
    width = sum(page.width for page in pages) + 3 * gap
    whole = Image.new("RGB", (width, max(page.height for page in pages) + 2 * gap), (205, 205, 205))
    left = gap
    for page in pages:
        whole.paste(page, (left, gap))
        left += page.width + gap
    return whole.quantize(64, dither=Image.Dither.NONE)


if __name__ == "__main__":
    readme_picture(Path(sys.argv[1])).save(PICTURE, optimize=True)
    print(f"{PICTURE}: {PICTURE.stat().st_size // 1000} kB")
