"""Futures on several machines: an executor on a Dask cluster.

Each worker needs the same edition of this program and of what it uses, and compiles it once. Dask
gives the work of a worker that dies to another, and since luck hangs on names alone, the futures
are the same ones.
"""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from tempfile import TemporaryDirectory
from typing import Any

from forecast.errors import InputError, Problem

__all__ = ["LOCAL", "dask_executor"]

LOCAL = "local"  # in place of an address: a cluster of processes on this machine

_SECONDS_TO_ANSWER = 10

# Dask puts a batch aside for good if so many workers died at it. A batch cannot kill one, so that
# only unlucky batches count, and there may be many of those where machines come and go.
_UNLUCKY = 100


@contextmanager
def dask_executor(address: str, workers: int | None = None) -> Iterator[Executor]:
    """An executor on a Dask cluster; what was begun for it ends with it.

    Args:
        address: of a scheduler, like ``tcp://10.0.0.5:8786``, which stays as it is; or ``local``
            for a cluster of our own on this machine.
        workers: processes of a local cluster, each with one thread; None: as many as the machine
            has processors. Elsewhere whoever runs the cluster decides.

    Raises:
        InputError: Dask is not installed, or no scheduler or no worker answers there within some
            seconds.
    """
    distributed = _distributed(address)
    with ExitStack() as stack:
        if address == LOCAL:
            folder = stack.enter_context(
                TemporaryDirectory(prefix="forecast-", ignore_cleanup_errors=True)
            )
            where = stack.enter_context(_local_cluster(distributed, workers, folder))
        else:
            where = address
        client = stack.enter_context(_client(distributed, address, where))
        yield client.get_executor(pure=False)


def _distributed(address: str) -> Any:
    try:
        # Most people have it not, and nobody should wait for it who asks for no cluster.
        import dask  # noqa: PLC0415
        import distributed  # noqa: PLC0415
    except ImportError:
        problem = Problem(
            "--dask",
            "",
            address,
            "the extra package distributed, which is not installed",
            'Install it (python -m pip install "distributed>=2025.1"), or leave --dask out.',
        )
        raise InputError([problem]) from None
    dask.config.set({"distributed.scheduler.allowed-failures": _UNLUCKY})
    return distributed


def _local_cluster(distributed: Any, workers: int | None, folder: str) -> Any:
    # It listens to this machine only, and where its own page would be takes any port that is free:
    # a fixed one may be somebody else's.
    return distributed.LocalCluster(
        n_workers=workers or os.cpu_count() or 1,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        scheduler_kwargs={"dashboard": False},
        local_directory=folder,
        silence_logs=logging.CRITICAL,
    )


async def _knock(distributed: Any, address: str) -> None:
    """See that something answers at an address; OSError or ValueError if not."""
    answer = await distributed.comm.connect(address, timeout=_SECONDS_TO_ANSWER)
    await answer.close()


@contextmanager
def _client(distributed: Any, address: str, where: Any) -> Iterator[Any]:
    def unreachable(expected: str, remedy: str) -> InputError:
        return InputError([Problem("--dask", "", address, expected, remedy)])

    try:
        # A client that cannot connect would go on trying, and complain when it is thrown away.
        if isinstance(where, str):
            asyncio.run(_knock(distributed, where))
        client = distributed.Client(where, timeout=_SECONDS_TO_ANSWER)
    except (OSError, ValueError):
        raise unreachable(
            f"the address of a Dask scheduler that answers within {_SECONDS_TO_ANSWER} seconds",
            "Start it (dask scheduler), and give the address that it shows; or write local.",
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=_SECONDS_TO_ANSWER)
        except OSError:
            raise unreachable(
                "a scheduler that has workers", "Start some: dask worker ADDRESS --nthreads 1."
            ) from None
        yield client
