"""A Chromium for the tests: one that is installed, else one that can be had."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tarfile
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
PACKAGE = "@sparticuz/chromium"
"""A package of the npm registry that carries a Chromium for Linux, compressed with Brotli."""


def found() -> Path:
    """The program, installed where that is needed.

    Raises:
        RuntimeError: there is none and none can be had.
    """
    installed = next(filter(None, map(shutil.which, NAMES)), None)
    if installed is None and os.environ.get("CI") == "true" and os.geteuid() == 0:
        subprocess.run(["apt-get", "update"], check=False, capture_output=True)
        install = ["apt-get", "install", "--yes", "--no-install-recommends", "chromium"]
        subprocess.run(install, check=False, capture_output=True)
        installed = shutil.which("chromium")
    if installed is not None:
        return Path(installed)
    try:
        return unpacked(Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")))
    except (OSError, subprocess.CalledProcessError, StopIteration) as error:
        text = f"no Chromium for the tests in a browser: install 'chromium', or npm ({error})"
        raise RuntimeError(text) from None


def unpacked(cache: Path) -> Path:
    """The program out of the npm package, in a cache folder."""
    folder = cache / "faulttree-tests" / "chromium"
    program = folder / "chromium"
    if program.exists():
        return program
    folder.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=folder.parent) as fresh:
        _unpack(Path(fresh))
        # Only a whole program gets its name; another process may have been quicker.
        with contextlib.suppress(OSError):
            Path(fresh, "content").rename(folder)
    if not program.exists():
        raise OSError(f"{PACKAGE} holds no program")
    return program


def _unpack(work: Path) -> None:
    """The program and its libraries, below ``content`` of a folder."""
    import brotli

    folder = work / "content"
    folder.mkdir()
    program = folder / "chromium"
    subprocess.run(["npm", "pack", PACKAGE], cwd=folder, check=True, capture_output=True)
    packed = next(folder.glob("sparticuz-chromium-*.tgz"))
    with tarfile.open(packed) as archive:
        for member in archive.getmembers():
            name = Path(member.name).name
            content = archive.extractfile(member)
            if content is None or not name.endswith(".br"):
                continue
            raw = brotli.decompress(content.read())
            if name == "chromium.br":
                program.write_bytes(raw)
            elif name.endswith(".tar.br"):
                with tarfile.open(fileobj=BytesIO(raw)) as inner:
                    inner.extractall(folder, filter="data")
    packed.unlink()
    program.chmod(0o755)
