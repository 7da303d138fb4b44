"""What every command does alike."""

import subprocess
import sys


def test_a_reader_who_goes_away_ends_the_command_without_a_traceback() -> None:
    """As in `bandaudit measures | head`."""
    code = "import sys; from pipeline.cli import main; sys.exit(main(['measures']))"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as command:
        assert command.stdout is not None
        assert command.stderr is not None
        command.stdout.close()
        assert command.stderr.read() == ""
        assert command.wait() == 2
