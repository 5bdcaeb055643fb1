"""Kernels of the running interpreter, one fresh process a notebook."""

from __future__ import annotations

import asyncio
import os
import sys
import warnings
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import ensure_async
from papermill.engines import NBClientEngine, papermill_engines

ENGINE = "validation-fresh-kernel"


class FreshKernelEngine(NBClientEngine):
    """Papermill's own engine; it stops the kernel that nbclient leaves running when a manager was handed in."""

    @classmethod
    def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **kwargs: Any) -> Any:
        manager = kwargs["km"]
        try:
            return super().execute_managed_notebook(nb_man, kernel_name, **kwargs)
        finally:
            asyncio.run(_stop(manager))


async def _stop(manager: AsyncKernelManager) -> None:
    if manager.has_kernel:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            await manager.shutdown_kernel(now=True)
    await ensure_async(manager.cleanup_resources())


papermill_engines.register(ENGINE, FreshKernelEngine)


class KernelSource:
    """Hands out kernel managers whose kernel is this interpreter, whatever kernels the machine has registered."""

    engine_name = ENGINE

    def __init__(self) -> None:
        self._folder = TemporaryDirectory(prefix="vk-", ignore_cleanup_errors=True)
        self._numbers = count(1)

    def manager(self) -> AsyncKernelManager:
        """A manager whose kernel has not been started."""
        # Sockets of this user's own where the system has them; elsewhere loopback, signed with the connection's key.
        # An absolute connection file: the sockets lie beside it, wherever the kernel's working folder is.
        manager = AsyncKernelManager(
            kernel_name="python3",
            transport="ipc" if os.name == "posix" else "tcp",
            connection_file=str(Path(self._folder.name) / f"{next(self._numbers)}.json"),
        )
        argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}", "--log-level=40"]
        manager._kernel_spec = KernelSpec(argv=argv, display_name="Python 3", language="python")
        return manager

    def close(self) -> None:
        """Remove the connection files; the kernels are gone already."""
        self._folder.cleanup()

    def __enter__(self) -> KernelSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
