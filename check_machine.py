"""Can this machine run the README's two commands, and if not, what is to be done?

Runs before anything is installed, so it uses the standard library alone and is written
so that a Python too old for the rest can still read it.

``python3 check_machine.py`` says nothing where all is well.
``python3 check_machine.py --why FILE`` reads what pip wrote to its error output.
"""

from __future__ import print_function

import os
import platform
import re
import subprocess
import sys

OLDEST = (3, 11)
NEWEST = (3, 14)  # for which constraints.txt has wheels
FOLDER = ".venv"
AGAIN = "then paste the line again."


def check(version, folder=FOLDER):
    """What stands in the way on this machine, and what to do about it.

    Parameters
    ----------
    version : tuple of int
        The version of the Python that asks, as ``sys.version_info`` has it.
    folder : str
        Where the libraries are to be installed.

    Returns
    -------
    str or None
        One line, or None where nothing stands in the way.
    """
    if tuple(version[:2]) < OLDEST:
        return _too_old(version)
    if sys.maxsize <= 2**32:
        return "This Python is a 32-bit one; the libraries need a 64-bit one. Install it, " + AGAIN
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        return (
            "This Python cannot make a folder for the libraries: its venv is missing. On Debian "
            "and Ubuntu: sudo apt install python%d.%d-venv (elsewhere install Python anew), %s"
            % (version[0], version[1], AGAIN)
        )
    if not os.access(os.curdir, os.W_OK):
        return "Nothing can be written in this folder. Copy it to one of your own, " + AGAIN
    if os.path.exists(folder) and _version_of(_python_in(folder)) < OLDEST:
        return "The folder %s was made by a Python that is gone or too old. Delete it, %s" % (
            folder,
            AGAIN,
        )
    return None


def _too_old(version):
    told = "This is Python %d.%d; outcomes needs %d.%d or newer. " % (version[:2] + OLDEST)
    if os.name == "nt":
        return told + "Install one, " + AGAIN
    for minor in range(NEWEST[1], OLDEST[1] - 1, -1):
        name = "python3.%d" % minor
        if _version_of(name) >= OLDEST:
            return told + "You have one: paste the line with %s for every python3." % name
    return told + "Install one, and paste the line with its name, such as python3.%d." % NEWEST[1]


def _python_in(folder):
    return os.path.join(
        folder, *(("Scripts", "python.exe") if os.name == "nt" else ("bin", "python"))
    )


def _version_of(python):
    """The version a command runs as; (0, 0) where it does not run."""
    asked = "import sys; print('%d %d' % sys.version_info[:2])"
    try:
        with open(os.devnull, "w") as nowhere:
            said = subprocess.check_output([python, "-c", asked], stderr=nowhere)
        return tuple(int(part) for part in said.split())
    except (OSError, ValueError, subprocess.CalledProcessError):
        return (0, 0)


# The first that is found decides: what lies deeper is told before what follows from it.
_CAUSES = (
    (
        "no space left on device|not enough space on the disk|disk quota exceeded",
        "The disk is full: the libraries take about 1 GB. Make room, " + AGAIN,
    ),
    (
        "certificate_verify_failed|certificate verify failed|sslerror|sslcertverificationerror",
        "This network replaces the certificates of secure connections, so pip trusts none. Ask who "
        "runs it for its certificate, set PIP_CERT to that file, " + AGAIN,
    ),
    (
        "proxyerror|cannot connect to proxy|proxy authentication required",
        "The proxy set on this machine does not let pip through. Set HTTPS_PROXY to the right one "
        "(or to nothing), " + AGAIN,
    ),
    (
        "failed to establish a new connection|nameresolutionerror|name or service not known|"
        "name resolution|getaddrinfo failed|network is unreachable|no route to host|"
        "connection refused|connection reset|connection aborted|connecttimeout|readtimeout|"
        "timed out|max retries exceeded|remotedisconnected|incompleteread|httperror|"
        # It exists for every Python, so pip has seen no list of packages at all.
        r"setuptools[^\n]*\(from versions: none\)",
        "No network: pip could not fetch the libraries. Connect this computer, " + AGAIN,
    ),
    (
        "permission denied|read-only file system|access is denied|being used by another process",
        "Files in %s cannot be written. Close what uses them, delete the folder, %s"
        % (FOLDER, AGAIN),
    ),
    (
        r"no module named '?pip\b|%s\S*python\S*: (?:not found|no such file)|"
        "cannot find the path|is not recognized as an internal" % re.escape(FOLDER),
        "The folder %s is damaged. Delete it, %s" % (FOLDER, AGAIN),
    ),
)
# Where a library has no wheel pip finds nothing, or gets its source and cannot build it.
_WITHOUT_WHEEL = (
    r"no matching distribution found for ([\w.-]+)",
    r"failed building wheel for ([\w.-]+)",
    r"failed to build installable wheels for some pyproject\.toml based projects \(?([\w.-]+)",
    r"pip-install-\w+[/\\]([\w.-]+?)_[0-9a-f]{32}",
    r"(?:metadata-generation-failed|subprocess-exited-with-error)",
)


def why(text):
    """What kept pip from installing, and what to do about it.

    Parameters
    ----------
    text : str
        What pip wrote to its error output.

    Returns
    -------
    str
        One line.
    """
    for signs, told in _CAUSES:
        if re.search(signs, text, re.IGNORECASE):
            return told
    for signs in _WITHOUT_WHEEL:
        found = re.search(signs, text, re.IGNORECASE)
        if found:
            return _without_wheel(found.group(1) if found.groups() else "a library")
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    errors = [line for line in lines if line.startswith("ERROR:")]
    said = (errors or lines or ["nothing"])[-1]
    return "pip could not install the libraries. It said: " + said


def _without_wheel(name):
    here = "%s for Python %d.%d on %s %s" % (
        (name,) + tuple(sys.version_info[:2]) + (platform.system(), platform.machine())
    )
    return (
        "There is no ready-made %s. There is for Python %d.%d to %d.%d on Linux with glibc 2.28 or "
        "newer (x86-64, ARM64), macOS 12 or newer, and Windows x86-64: delete %s, and paste the "
        "line with such a Python." % ((here,) + OLDEST + NEWEST + (FOLDER,))
    )


def main(arguments):
    """Tell what stands in the way, on the error output; the exit status.

    Parameters
    ----------
    arguments : list of str
        None, or ``--why`` and the file with what pip wrote.

    Returns
    -------
    int
        0 where nothing stands in the way; 1 otherwise, and always after ``--why``.
    """
    if arguments[:1] == ["--why"]:
        try:
            with open(arguments[1], "rb") as file:
                text = file.read().decode("utf-8", "replace")
        except (IndexError, OSError):
            text = ""
        print(why(text), file=sys.stderr)
        return 1
    told = check(tuple(sys.version_info))
    if told:
        print(told, file=sys.stderr)
        return 1
    if not os.path.exists(FOLDER):
        print("Fetching the libraries into %s. This takes some minutes the first time." % FOLDER)
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
