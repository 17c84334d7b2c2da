"""Shows the main job at work: `python3 scripts/demo.py` sets up all that is needed and checks the demo recordings.

For each recording in recordings_demo/ it prints the story, the command and what the command says, and leaves the
reports in reports/. Needs Python 3.11 or newer, and the network the first time.
"""

import json
import subprocess
import sys
from pathlib import Path

import environment

DEMO = environment.TOP / "recordings_demo"
REPORTS = environment.TOP / "reports"
# Analysed, and "nothing to analyse": two of the recordings are there to show the latter.
EXPECTED = (0, 3)


def main():
    """Check every demo recording; returns the exit status: 0, or 1 where one could not be checked."""
    environment.prepare()
    entries = json.loads((DEMO / "demo.json").read_text(encoding="utf-8"))
    failed = [entry["file"] for entry in entries if not show(entry)]
    environment.say("\n== the reports lie in " + str(REPORTS))
    for page in sorted(REPORTS.glob("*/*.html")):
        environment.say("   " + str(page.relative_to(environment.TOP)))
    if failed:
        environment.say("== these could not be checked: " + ", ".join(failed))
    return 1 if failed else 0


def show(entry):
    """Tell one recording's story and check it; True where that went as it should."""
    environment.say(f"\n== {entry['file']}: {entry['story']}")
    options = [*arguments(entry["options"]), "--out", str(REPORTS / Path(entry["file"]).stem)]
    command = ["check", str(DEMO / entry["file"]), *options]
    shown = ["check", "recordings_demo/" + entry["file"], *arguments(entry["options"])]
    environment.say("$ enginelog " + " ".join(f"'{word}'" if " " in word else word for word in shown))
    program = environment.command_of(environment.ENVIRONMENT, "enginelog")
    return subprocess.run([str(program), *command], env=environment.clean_variables()).returncode in EXPECTED


def arguments(options):
    """{"rated_rpm": 3000, "firing_angles": [0, 270]} as ["--rated-rpm", "3000", "--firing-angles", "0,270"]."""
    words = []
    for name, value in options.items():
        text = ",".join(str(part) for part in value) if isinstance(value, list) else str(value)
        words += ["--" + name.lstrip("-").replace("_", "-"), text]
    return words


if __name__ == "__main__":
    sys.exit(main())
