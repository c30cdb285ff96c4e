"""The demo pieces and their plans, each planned once in a process: the boat’s takes longest of all."""

from __future__ import annotations

from functools import cache

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.plan.workorder import WorkOrder
from server.settings import resource_dir

RUNNER, BOAT = "harbour_runner.json", "net_mender.json"


def demo_text(name: str) -> str:
    """A demo piece's file."""
    return (resource_dir("demo_data") / name).read_text("utf-8")


@cache
def demo_piece(name: str) -> Piece:
    return read_piece(demo_text(name))


@cache
def demo_order(name: str) -> WorkOrder:
    return plan(demo_piece(name), limit=100)  # a second proves it, unless much else runs
