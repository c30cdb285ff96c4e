"""What a server's process does. It stands apart, so that the process need not know a browser."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

from server.cli import main
from server.web.rendering import environment

# what is split off from this process has its templates ready
for template in environment().list_templates():
    environment().get_template(template)


def serve(command: Sequence[str], log: Path) -> None:
    """Serve with these options of the command; what the server says goes to a file."""
    said = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for stream in (1, 2):
        os.dup2(said, stream)
    sys.exit(main(command))
