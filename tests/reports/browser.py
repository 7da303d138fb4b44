"""A page in a real browser: in a frame of the size asked for, whose own content rules stay in force; only the page
around it measures. Where no Chromium is installed, tests that need it are to be skipped.
"""

import json
import re
import shutil
import subprocess
from html import escape, unescape
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
OPTIONS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def measured(
    page: str, folder: Path, width: int, height: int, expression: str, sandbox: str = "allow-same-origin allow-scripts"
) -> Any:
    """What a JavaScript expression over the framed page's `page` (its document) gives."""
    harness = folder / "harness.html"
    harness.write_text(
        f"""<!doctype html><meta charset="utf-8"><body style="margin:0">
        <iframe id="frame" sandbox="{sandbox}" style="width:{width}px;height:{height}px;border:0"
            srcdoc="{escape(page)}"></iframe><pre id="result"></pre>
        <script>
        document.getElementById("frame").addEventListener("load", (event) => {{
          const page = event.target.contentDocument;
          document.getElementById("result").textContent = "RESULT" + JSON.stringify({expression}) + "END";
        }});
        </script>""",
        encoding="utf-8",
    )
    command = [str(CHROMIUM), *OPTIONS, f"--user-data-dir={folder / 'profile'}", f"--window-size={width + 60},{height}"]
    command += ["--virtual-time-budget=3000", "--dump-dom", harness.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    found = re.search(r"RESULT(.*?)END</pre>", done.stdout, re.DOTALL)
    assert found is not None, done.stderr[-2000:]
    return json.loads(unescape(found[1]))
