"""A course as text, and back: only we write it, so it is read without suspicion."""

from __future__ import annotations

import json

from pydantic import TypeAdapter

from server.loom.state import State
from server.plan.visits import Visit
from server.plan.workorder import read_workorder, write_workorder
from server.session.cards import Course
from server.session.wishes import Wishes

_STATE = TypeAdapter(State)
_VISITS = TypeAdapter(tuple[Visit, ...])
_WISHES = TypeAdapter(Wishes)


def write_course(course: Course) -> str:
    """The course as JSON."""
    return json.dumps(
        {
            "start": _STATE.dump_python(course.start, mode="json"),
            "visits": _VISITS.dump_python(course.visits, mode="json"),
            "until_bare": course.until_bare,
            "order": write_workorder(course.order),
            "wishes": _WISHES.dump_python(course.wishes, mode="json"),
        }
    )


def read_course(text: str) -> Course:
    """Read what `write_course` wrote."""
    content = json.loads(text)
    return Course(
        start=_STATE.validate_python(content["start"]),
        visits=_VISITS.validate_python(content["visits"]),
        until_bare=content["until_bare"],
        order=read_workorder(content["order"]),
        wishes=_WISHES.validate_python(content["wishes"]),
    )
