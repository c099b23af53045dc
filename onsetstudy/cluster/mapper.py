"""Mappers: the same function on the same items in the same order, by other hands."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any, TypeVar

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.parallel import Mapper, serial

if TYPE_CHECKING:
    from distributed import Client

T = TypeVar("T")
R = TypeVar("R")


class ProcessMapper:
    """Several processes of this computer.

    Parameters
    ----------
    workers : int or None
        Processes; by default as many as the computer has processors.
    """

    def __init__(self, workers: int | None = None) -> None:
        self.workers = workers or os.cpu_count() or 1

    def map(self, function: Callable[[T], R], items: Iterable[T]) -> list[R]:
        """Results of ``function`` on each of ``items``, in order."""
        listed = list(items)
        if self.workers == 1 or len(listed) < 2:
            return [function(item) for item in listed]
        # Spawned, not forked: a fork would copy whatever threads of the numerical libraries are at work.
        with ProcessPoolExecutor(
            min(self.workers, len(listed)), mp_context=get_context("spawn"), initializer=_one_thread
        ) as pool:
            return list(pool.map(function, listed))


def _one_thread() -> None:
    """Before numpy is loaded in a worker: the workers are the threads, and more would wait for each other's cores."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


class DaskMapper:
    """A Dask cluster, by way of a connected client of ``distributed``."""

    def __init__(self, client: Client) -> None:
        self.client = client

    def map(self, function: Callable[[T], R], items: Iterable[T]) -> list[R]:
        """Results of ``function`` on each of ``items``, in order."""
        # Impure: two items that look alike are still two pieces of work.
        client: Any = self.client
        return list(client.gather(client.map(function, list(items), pure=False)))


def cluster_mapper(address: str, *, wait_s: float = 10.0) -> DaskMapper:
    """A mapper on the Dask cluster at ``address``, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    OnsetStudyError
        If the extra is not installed, or nobody answers there.
    """
    try:
        from distributed import Client
        from distributed.comm.addressing import resolve_address
    except ImportError:
        raise OnsetStudyError("a cluster needs the extra onsetstudy[cluster]; install it with pip") from None
    try:
        connect: Any = Client
        resolve: Any = resolve_address
        resolve(address)  # what is no address is told before threads are started for it
        return DaskMapper(connect(address, timeout=wait_s))
    except (OSError, ValueError) as error:
        raise OnsetStudyError(f"no Dask scheduler answers at {address} ({error})") from None


def chosen_mapper(workers: int, cluster: str | None) -> Mapper:
    """The mapper that a door was asked for: a cluster, several processes, or this one alone."""
    return cluster_mapper(cluster) if cluster else ProcessMapper(workers) if workers > 1 else serial
