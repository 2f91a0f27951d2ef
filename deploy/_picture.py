"""Draws deploy/board.png, the picture in README.md: the demo's board as a phone shows it. Needs chromium.

python deploy/_picture.py
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

HERE = Path(__file__).resolve().parent
SIZE = (430, 860)
COLOURS = 48
"""Enough for a page of few colours; the file is a third as large as one in full colour."""


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


def main() -> int:
    with tempfile.TemporaryDirectory(prefix="curewatch-picture-") as folder:
        here, port = Path(folder), free_port()
        (here / "settings.toml").write_text(f'zone = "Europe/Lisbon"\n[web]\nport = {port}\n', encoding="utf-8")
        curewatch = [sys.executable, "-m", "curewatch", "--store", str(here / "studio.sqlite")]
        argv = [*curewatch, "--config", str(here / "settings.toml"), "run", "--or-demo"]
        daemon = subprocess.Popen(argv, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        assert daemon.stderr is not None
        try:
            next(line for line in daemon.stderr if "the page is at" in line)
            shot = here / "board.png"
            browser = ["chromium", "--headless", "--disable-gpu", "--hide-scrollbars", "--accept-lang=en-GB"]
            browser += [f"--screenshot={shot}"]
            browser += ["--no-sandbox"] if os.getuid() == 0 else []
            browser += [f"--window-size={SIZE[0]},{SIZE[1]}", f"http://127.0.0.1:{port}/"]
            subprocess.run(browser, check=True, capture_output=True, timeout=90)
            with Image.open(shot) as drawn:
                few = drawn.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
                few.save(HERE / "board.png", optimize=True)
        finally:
            daemon.terminate()
            daemon.wait(30)
    print(f"deploy/board.png: {(HERE / 'board.png').stat().st_size / 1024:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
