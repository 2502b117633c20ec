"""One map over files of which any may crash, hang, lack memory or fail to be read.

Each call runs in another process, limited in time and memory by the size of its file. What goes
wrong with a file is a value, `Failure`; the other files go on.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Hashable, Iterable
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Literal, Self, TypeVar

from limbward.errors import LimbwardError, UnreadableFile
from limbward.work.executors import Crash, Crew, require_processes
from limbward.work.worker import limited, patience_s, room_bytes

Key = TypeVar("Key", bound=Hashable)
Result = TypeVar("Result")
IN_FLIGHT = 2  # files handed out a process: one at work, one waiting; a crash loses only these


@dataclass(frozen=True)
class Task(Generic[Key]):
    """A call on a file.

    Attributes
    ----------
    key : hashable
        The caller's name of it.
    path : Path
        The file; its size sets the limits, its name goes into sentences.
    arguments : tuple
        Of the call.
    extra_s : float
        Seconds beside those that reading a file of its size may take.
    room : int, optional
        Bytes of memory, if not what a photograph of its size may take.
    """

    key: Key
    path: Path
    arguments: tuple[Any, ...]
    extra_s: float = 0.0
    room: int | None = None


@dataclass(frozen=True)
class Failure:
    """What became of a task that has no result.

    Attributes
    ----------
    kind : {'crash', 'memory', 'disk', 'content', 'code'}
        Its process died or was ended for taking too long; there was no memory for it even alone;
        its file could not be read; its content is wrong; the code was not up to it.
    sentence : str
        For the user, with the name of the file.
    """

    kind: Literal["crash", "memory", "disk", "content", "code"]
    sentence: str


@dataclass(frozen=True, eq=False)
class Sent(Generic[Key, Result]):
    """A task that is handed out, and the pool that it was handed to."""

    work: Callable[..., Result]
    task: Task[Key]
    future: Future[Result | Failure]
    pool: Executor


def attempt(work: Callable[..., Result], task: Task[Any]) -> Result | Failure:
    """Do a task under its limits, in the process that it is to be done in.

    Raises
    ------
    LimbwardError
        If what fails is not the file, such as a workspace that cannot be written to.
    """
    name = task.path.name
    try:
        size = task.path.stat().st_size
    except OSError:
        size = 0  # whoever opens it says why it cannot be
    try:
        room = room_bytes(size) if task.room is None else task.room
        with limited(patience_s(size) + task.extra_s, room):
            return work(*task.arguments)
    except UnreadableFile as error:
        return Failure("content", str(error))
    except LimbwardError:
        raise
    except MemoryError:
        return Failure("memory", "")  # to be tried alone
    except OSError as error:
        return Failure("disk", f"{name} cannot be read ({error.strerror or error}).")
    except Exception as error:  # one file that upsets the code must not stop the others
        return Failure("code", f"{name} could not be read ({type(error).__name__}: {error}).")


class FileMap:
    """Maps a function over files; processes are kept from one call to the next.

    A file that takes its process down takes the pool and those at work beside it. They are then
    tried each in a process of its own, which shows the culprit. So is a file for which there was no
    memory, when nothing else needs any.

    Parameters
    ----------
    crew : Crew
    again : str
        How to try a file once more, for sentences.
    origin : str
        Where a file is to be copied from again.
    """

    def __init__(self, crew: Crew, *, again: str = "run again", origin: str = "card") -> None:
        self._crew, self._again, self._origin = crew, again, origin
        self._pool: Executor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None

    def one(self, work: Callable[..., Result], task: Task[Any]) -> Result | Failure:
        """Do one task."""
        return next(result for _, result in self.each(work, [task]))

    def each(
        self,
        work: Callable[..., Result],
        tasks: Iterable[Task[Key]],
        *,
        ordered: bool = False,
        in_flight: int | None = None,
    ) -> Generator[tuple[Task[Key], Result | Failure]]:
        """Do tasks, some ahead of the result that is asked for.

        Parameters
        ----------
        work : callable
            A function of a module, which a new process can import.
        tasks : iterable of Task
            Taken one by one, when there is a place in flight.
        ordered : bool
            Whether results come in the order of the tasks; else they come as they are there, and
            those of files that lack memory last.
        in_flight : int, optional
            Tasks handed out at a time, those done but not yet asked for included; by default
            `IN_FLIGHT` a worker.

        Yields
        ------
        tuple of Task and result or Failure

        Raises
        ------
        LimbwardError
            If no process can be started at all, or if a task raises one that is not of its file.
        """
        most = in_flight or IN_FLIGHT * self._crew.workers
        todo = iter(tasks)
        flight: deque[Sent[Key, Result]] = deque()
        starved: list[Task[Key]] = []
        try:
            while True:
                while len(flight) < most and (task := next(todo, None)) is not None:
                    flight.append(self._submit(work, task))
                if not flight:
                    break
                if not ordered:
                    _next_first(flight)
                sent = flight.popleft()
                result = self._landed(sent)
                if result is not None:
                    yield sent.task, result
                elif ordered:
                    yield sent.task, self._alone(work, sent.task)
                else:
                    starved.append(sent.task)
            for task in starved:
                yield task, self._alone(work, task)
        finally:
            # No process may go on with what is given away, such as memory that it writes to.
            for sent in flight:
                if not sent.future.cancel():
                    sent.future.exception()

    def _submit(self, work: Callable[..., Result], task: Task[Key]) -> Sent[Key, Result]:
        for _ in range(2):
            pool = self._pool = self._pool or self._crew.open_pool(self._crew.workers)
            try:
                return Sent(work, task, pool.submit(attempt, work, task), pool)
            except Crash:  # of a task that nobody has asked for yet
                self._end_pool()
        raise LimbwardError("The processes that read the files end as soon as they start.")

    def _landed(self, sent: Sent[Key, Result]) -> Result | Failure | None:
        """Return a task's result, None if there was no memory for it beside others."""
        try:
            result = sent.future.result()
        except MemoryError:  # of a result too large to be sent
            return None
        except Crash:
            if self._pool is sent.pool:
                self._end_pool()
            return self._alone(sent.work, sent.task)
        except LimbwardError:
            raise
        except Exception as error:  # a cluster's workers die with errors of its own
            return _lost(sent.task, error)
        return None if _is(result, "memory") else result

    def _end_pool(self) -> None:
        """Wait until no process is at work: none writes to what is given away, or takes memory."""
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None

    def _alone(self, work: Callable[..., Result], task: Task[Any]) -> Result | Failure:
        """Do a task when nothing else is at work."""
        self._end_pool()
        name = task.path.name
        with self._crew.open_pool(1) as pool:
            try:
                result: Result | Failure = pool.submit(attempt, work, task).result()
                starved = _is(result, "memory")
            except MemoryError:
                starved = True
            except Crash:
                starved = False
            except LimbwardError:
                raise
            except Exception as error:
                return _lost(task, error)
            else:
                if not starved:
                    return result
        if starved:
            return Failure(
                "memory",
                f"{name} needs more memory than is available, or than is plausible for a file of "
                f"its size. If the file is good, free some memory and {self._again}.",
            )
        require_processes(self._crew.open_pool)
        return Failure(
            "crash",
            f"The decoder crashed on {name} or did not finish; copy the file from the "
            f"{self._origin} again.",
        )


def _is(result: object, kind: str) -> bool:
    return isinstance(result, Failure) and result.kind == kind


def _lost(task: Task[Any], error: Exception) -> Failure:
    return Failure("code", f"{task.path.name} could not be read ({error}).")


def _next_first(flight: deque[Sent[Key, Result]]) -> None:
    """Bring one that is done to the front, once there is one."""
    done, _ = wait([sent.future for sent in flight], return_when=FIRST_COMPLETED)
    first = next(sent for sent in flight if sent.future in done)
    flight.remove(first)
    flight.appendleft(first)
