"""Paper out of a page: a browser without a window prints it, where one is installed.

Knows a subprocess. Does not know what is printed.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
PRINT_WITHIN_S = 60.0
NOBODY = subprocess.DEVNULL


class PaperError(Exception):
    """One line: what was found, what was wanted, the mend."""


def print_page(html: str, to: Path) -> None:
    """Write the page as PDF. Raises PaperError where no browser is found, or none that prints.

    The page is a file of its own and may reach nothing: no script, no address, no other file.
    """
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        wanted = f"one of {', '.join(BROWSERS)}"
        raise PaperError(f"found no browser that prints, wanted {wanted}; or print the page")
    # A browser is several processes: some may write there still, or hold what it was given to speak
    # to, when the one that was asked has ended.
    with TemporaryDirectory(prefix="carerules-paper-", ignore_cleanup_errors=True) as folder:
        page, made = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8")
        command = [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            f"--user-data-dir={folder}/profile", "--no-pdf-header-footer",
            f"--print-to-pdf={made}", page.as_uri(),
        ]  # fmt: skip
        try:
            ran = subprocess.run(command, stdin=NOBODY, stdout=NOBODY, stderr=NOBODY,
                                 timeout=PRINT_WITHIN_S, check=False)  # fmt: skip
        except (OSError, subprocess.TimeoutExpired) as error:
            what = "it did not end" if isinstance(error, subprocess.TimeoutExpired) else str(error)
            raise PaperError(f"`{browser}` did not print: {what}; or print the page") from None
        if ran.returncode or not made.exists():
            raise PaperError(f"`{browser}` did not print (status {ran.returncode}); print the page")
        to.write_bytes(made.read_bytes())
