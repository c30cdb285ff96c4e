"""htmx is the file we think it is."""

from __future__ import annotations

import base64
import hashlib

from server.settings import htmx_file

HTMX_2_0_3 = "0895/pl2MU10Hqc6jd4RvrthNlDiE9U1tWmX7WRESftEDRosgxNsQG/Ze9YMRzHq"
"""SHA-384 of htmx.min.js 2.0.3, as pages write it in an integrity attribute."""


def test_htmx_is_the_released_file() -> None:
    digest = hashlib.sha384(htmx_file().read_bytes()).digest()
    assert base64.b64encode(digest).decode() == HTMX_2_0_3


def test_htmx_is_version_2() -> None:
    assert b'version:"2.0.3"' in htmx_file().read_bytes()
