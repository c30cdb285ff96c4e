"""The one file of a form that brings something in."""

from __future__ import annotations

from fastapi import Request
from starlette.datastructures import UploadFile

from server.web.guard import MOST_UPLOAD
from server.web.rendering import NotUnderstood


async def sent_file(request: Request, what: str) -> bytes:
    """The content of the file that a form sent under the name "file".

    Args:
        what: what it should be: "a piece file".

    Raises:
        NotUnderstood: if none was chosen, or it is larger than what a form may bring in.
    """
    form = await request.form(max_files=1, max_fields=5)
    try:
        file = form.get("file")
        if not isinstance(file, UploadFile) or not file.filename:
            raise NotUnderstood(f"Choose {what} first, then bring it in.")
        content = await file.read(MOST_UPLOAD + 1)
    finally:
        await form.close()
    if len(content) > MOST_UPLOAD:
        raise NotUnderstood("The file is larger than 1 MB, the most that can be brought in here.")
    return content
