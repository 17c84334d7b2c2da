"""Sets up the project's environment and runs its tests: `python3 scripts/test.py [--gate] [arguments of pytest]`.

With `--gate` the format, the lint and the types are checked first, as is done before a change is taken.
The exit status is that of the first step that failed, else 0.
"""

import subprocess
import sys

import environment

GATE = (
    ("format", ["ruff", "format", "--check", "."]),
    ("lint", ["ruff", "check", "."]),
    ("types", ["mypy", "enginelog"]),
)


def run(title, module, arguments):
    """Run one module of the environment's Python in the checkout and return its exit status."""
    environment.say("== " + title + ": " + " ".join([module, *arguments]))
    command = [str(environment.python_of(environment.ENVIRONMENT)), "-m", module, *arguments]
    if module == "pytest":
        # Without -P the checkout would come before the installed package, and its packaging would go untested.
        command.insert(1, "-P")
    return subprocess.run(command, cwd=str(environment.TOP), env=environment.clean_variables()).returncode


def main(arguments):
    """Run the steps asked for; returns the exit status."""
    gate = "--gate" in arguments
    environment.prepare("dev" if gate else "test")
    for title, (module, *rest) in GATE if gate else ():
        status = run(title, module, rest)
        if status != 0:
            environment.say("== the " + title + " check failed")
            return status
    return run("tests", "pytest", [argument for argument in arguments if argument != "--gate"])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
