"""Works off jobs that wait for one another, as many at once as there are lanes."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from graphlib import TopologicalSorter
from typing import Protocol, TypeVar


class Lane(Protocol):
    """What one job at a time works on."""

    def interrupt(self) -> None:
        """Have a job that is under way stop soon; its fault is not told."""


_AGAIN_S = 0.05

L = TypeVar("L", bound=Lane)
T = TypeVar("T")


def work_off(
    graph: Mapping[str, Collection[str]],
    lanes: Sequence[L],
    job: Callable[[str, L], T],
    note: Callable[[str, T], None],
    urgency: Mapping[str, int],
) -> None:
    """Run a job for each name of a graph once those it waits for are noted.

    Parameters
    ----------
    graph : mapping
        Name to the names it waits for; all of them are names of the graph.
    lanes : sequence
        What jobs work on, one at a time each; as many jobs run at once.
    job : callable
        Given a name and a lane, in a thread of its own; returns what is to be noted.
    note : callable
        Given a name and what its job returned, in the caller's thread, one after another.
    urgency : mapping
        Of the names that could begin, the one with the largest number does; of equals, the first in the graph.

    Raises
    ------
    BaseException
        What a job or `note` raises, of several the first in the graph; nothing is begun after it, and jobs under
        way have ended.
    """
    place = {name: number for number, name in enumerate(graph)}
    sorter = TopologicalSorter(graph)
    sorter.prepare()
    free, waiting = list(lanes), list[tuple[int, int, str]]()
    running: dict[Future[T], tuple[int, str, L]] = {}
    with ThreadPoolExecutor(len(lanes)) as pool:
        try:
            while sorter.is_active():
                for name in sorter.get_ready():
                    heapq.heappush(waiting, (-urgency[name], place[name], name))
                while free and waiting:
                    (_, number, name), lane = heapq.heappop(waiting), free.pop()
                    running[pool.submit(job, name, lane)] = number, name, lane
                ended, _ = wait(running, return_when=FIRST_COMPLETED)
                for one in sorted(ended, key=lambda future: running[future][0]):
                    _, name, lane = running[one]
                    note(name, one.result())
                    del running[one]
                    sorter.done(name)
                    free.append(lane)
        except BaseException:
            _stop(running)
            raise


def _stop(running: Mapping[Future[T], tuple[int, str, L]]) -> None:
    """Interrupt what is under way until it has ended: asked once, a job between two of its queries would go on."""
    left = set(running)
    while left:
        for one in left:
            running[one][2].interrupt()
        _, left = wait(left, timeout=_AGAIN_S)
