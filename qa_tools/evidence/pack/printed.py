"""The page as a PDF, printed by whatever Chromium, Chrome or Edge the machine has."""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

BROWSER: Final = "QA_TOOLS_BROWSER"  # names a browser that is not where they usually are
_NAMES: Final = (
    "chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome",
    "microsoft-edge", "microsoft-edge-stable", "msedge",
)  # fmt: skip
_PLACES: Final = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files\Microsoft\Edge\Application\msedge.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
)
_OWN: Final = (  # installed for one person
    "Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "Applications/Chromium.app/Contents/MacOS/Chromium",
    "Google/Chrome/Application/chrome.exe",
    "Chromium/Application/chrome.exe",
)
_FLAGS: Final = (
    "--headless", "--disable-gpu", "--disable-quic", "--disable-extensions", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-default-apps",
    "--no-first-run", "--no-default-browser-check", "--no-pdf-header-footer", "--mute-audio",
    "--disable-pdf-tagging",  # a year would take twice as long and be six times as large
)  # fmt: skip
_PATIENCE: Final = 300  # seconds
_DATE: Final = re.compile(rb"/(CreationDate|ModDate) ?\(D:(\d{14})([^)]*)\)")


def print_pdf(page: Path, pdf: Path, *, made_at: dt.datetime) -> str:
    """
    Print a page to a PDF.

    Parameters
    ----------
    page, pdf : Path
    made_at : datetime
        Written into the PDF as its date, so that the same page makes the same bytes.

    Returns
    -------
    str
        "" where it was printed; else in plain words why not. A page without a PDF is still a page:
        any browser prints it.
    """
    named = os.environ.get(BROWSER)
    browser = found_browser()
    if browser is None:
        here = (
            f"{BROWSER} names {named}, which is not there"
            if named
            else "no Chromium, Chrome or Edge is on this machine"
        )
        return (
            f"No PDF was made: {here}. Open {page.name} in any browser and print it, or name a "
            f"browser in {BROWSER}."
        )
    # what the browser leaves behind as it ends is no reason to fail
    with tempfile.TemporaryDirectory(
        prefix="qa-tools-", dir=_sees(browser), ignore_cleanup_errors=True
    ) as folder:
        copied, made = Path(folder, page.name), Path(folder, "made.pdf")
        shutil.copyfile(page, copied)
        command = [
            browser,
            *_FLAGS,
            *(["--no-sandbox"] if sys.platform == "linux" and os.geteuid() == 0 else []),
            f"--user-data-dir={Path(folder, 'profile')}",
            f"--print-to-pdf={made}",
            copied.as_uri(),
        ]
        try:
            subprocess.run(
                command,
                check=True,
                timeout=_PATIENCE,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            data = made.read_bytes()
        except (subprocess.SubprocessError, OSError) as error:
            why = _why(error)
            return (
                f"No PDF was made: {browser} {why}. Open {page.name} in any browser and print it."
            )
    pdf.write_bytes(dated(data, made_at))
    return ""


def _why(error: Exception) -> str:
    """Why nothing was printed, without the long command."""
    if isinstance(error, subprocess.TimeoutExpired):
        return f"took more than {_PATIENCE} seconds"
    if isinstance(error, subprocess.CalledProcessError):
        return f"ended with status {error.returncode}"
    return "wrote nothing" if isinstance(error, FileNotFoundError) else f"did not start ({error})"


def found_browser() -> str | None:
    """The browser that prints; None where there is none."""
    named = os.environ.get(BROWSER)
    if named:
        return shutil.which(named)
    homes = [Path.home(), Path(os.environ.get("LOCALAPPDATA", Path.home()))]
    places = [*map(Path, _PLACES), *(home / place for home in homes for place in _OWN)]
    on_path = (shutil.which(name) for name in _NAMES)
    there = (str(place) for place in places if place.is_file())
    return next((one for one in (*on_path, *there) if one), None)


def _sees(browser: str) -> Path | None:
    """Where a browser shut in by snap can read and write; None for any folder."""
    if "snap" not in (*Path(browser).parts, *Path(browser).resolve().parts):
        return None
    folder = Path.home() / "snap" / Path(browser).name / "common"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def dated(data: bytes, made_at: dt.datetime) -> bytes:
    """A PDF with its two dates set; every other byte where it was."""
    time = f"{made_at.astimezone(dt.UTC):%Y%m%d%H%M%S}".encode()
    return _DATE.sub(
        lambda found: found[0].replace(found[2], time).replace(found[3], _zone(found[3])), data
    )


def _zone(written: bytes) -> bytes:
    """UTC, in as many bytes as the zone was written in."""
    return b"+00'00'"[: len(written)] if len(written) >= 6 else written
