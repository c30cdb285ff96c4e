"""What a process has read before servers are split off from it: the code, and all templates."""

from __future__ import annotations

import server.serving  # noqa: F401
import tests.forks  # noqa: F401
from server.web.rendering import environment

for template in environment().list_templates():
    environment().get_template(template)
