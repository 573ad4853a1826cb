"""Render a report in a headless browser, on screen and on paper, and check what a browser sees.

``make looks`` runs it on a fresh demonstration run, or on the folder given: ``render.py [FOLDER]``.
Pictures and the printed pages go to ``runs/looks/``. On a fresh demonstration run the picture of the README is
renewed too, with what it shows written beside it as text, when that text is no longer that of the demonstration or
``--renew`` is given. Without a browser it says so and exits 2.
"""

from __future__ import annotations

import html
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
QUIET = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
#: Name of the picture -> width and height of the window; the first is the picture of the README.
WIDTHS = {"page-one": (1040, 1165), "desk": (1280, 2400), "telephone": (500, 2400)}
#: The picture of the README, and what can be read on it.
PICTURE = Path(__file__).parents[2] / "docs" / "images" / "report.png"


def demo_run() -> Path:
    """Return the folder of a fresh demonstration run."""
    done = subprocess.run(
        [sys.executable, "-m", "outcomes", "demo"], capture_output=True, encoding="utf-8", check=False
    )
    if done.returncode not in (0, 2):
        raise SystemExit(f"outcomes demo left with {done.returncode}:\n{done.stderr}")
    return Path(done.stdout.splitlines()[-1].strip())


def browse(browser: str, *arguments: str) -> str:
    """Run the browser once with a profile of its own and return what it printed."""
    with tempfile.TemporaryDirectory() as profile:
        command = [browser, *QUIET, f"--user-data-dir={profile}", *arguments]
        done = subprocess.run(
            command, capture_output=True, encoding="utf-8", errors="replace", timeout=120, check=True
        )
    return done.stdout


def problems_of(dom: str) -> list[str]:
    """Return what is wrong with the rendered document; empty when nothing."""
    problems = []
    outside = re.findall(r"""(?:src|href)=["'](https?://[^"']+)""", dom)
    loaded = re.findall(r"""<(?:img|script|link|iframe)[^>]+(?:src|href)=["'](?!data:|#)([^"']+)""", dom)
    if loaded:
        problems.append(f"not self-contained: loads {len(loaded)} resources")
    if "<script" in dom:
        problems.append("a script: the report must be readable without")
    if "lang=" not in dom.split(">", 3)[1] + dom.split(">", 3)[2]:
        problems.append("the document does not name its language")
    if re.search(r"<img(?![^>]*\balt=)", dom):
        problems.append("a picture without alternative text")
    if re.search(r"<svg(?![^>]*\b(?:aria-label|role|aria-labelledby|aria-hidden)=)", dom):
        problems.append("a drawing without role or label")
    if len(re.findall(r"<h1\b", dom)) != 1:
        problems.append("not exactly one top heading")
    print(f"links to other places (not loaded): {len(outside)}")
    return problems


def headline_of(page: str) -> str:
    """Return what the top of page one says, a line each: study, answer, outcome, sentence, by how much."""
    patterns = (
        r'<p class="study">(.*?)</p>',
        r"<h1>(.*?)</h1>",
        r'<p class="about">(.*?)</p>',
        r'<p class="sentence">(.*?)</p>',
        r"<dt>By how much</dt><dd>(.*?)</dd>",
    )
    found = [re.search(pattern, page, flags=re.S) for pattern in patterns]
    lines = [html.unescape(match.group(1)).strip() for match in found if match is not None]
    if len(lines) != len(patterns):
        raise SystemExit("page one lacks a line that the picture of the README must show")
    return "\n".join(lines) + "\n"


def renew(report: Path, screenshot: Path, *, always: bool) -> None:
    """Copy the picture of page one to the README's, with its text, unless that text is the same already."""
    text, beside = headline_of(report.read_text(encoding="utf-8")), PICTURE.with_suffix(".txt")
    same = beside.is_file() and beside.read_text(encoding="utf-8") == text
    if always or not same:
        shutil.copyfile(screenshot, PICTURE)
        beside.write_text(text, encoding="utf-8", newline="\n")
        print("the picture of the README was renewed")


def main(arguments: list[str]) -> int:
    """Render, check, and say where the pictures are."""
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        print(f"no browser found (looked for {', '.join(BROWSERS)}): nothing was rendered or looked at")
        return 2
    folders = [argument for argument in arguments if argument != "--renew"]
    report = ((Path(folders[0]) if folders else demo_run()) / "report.html").resolve()
    target = Path("runs/looks").resolve()
    target.mkdir(parents=True, exist_ok=True)
    for name, (width, height) in WIDTHS.items():
        picture = f"--screenshot={target / name}.png"
        browse(browser, f"--window-size={width},{height}", picture, report.as_uri())
    browse(browser, "--no-pdf-header-footer", f"--print-to-pdf={target / 'paper.pdf'}", report.as_uri())
    if not folders:
        renew(report, target / "page-one.png", always="--renew" in arguments)
    problems = problems_of(browse(browser, "--dump-dom", report.as_uri()))
    for problem in problems:
        print(f"PROBLEM  {problem}")
    pictures = sorted(path.name for path in target.iterdir() if path.stat().st_size > 0)
    print(f"{len(problems)} problems; look at {', '.join(pictures)} in\n{target}")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
