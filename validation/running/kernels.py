"""Kernels of the running interpreter, one fresh process a notebook."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import time
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import ensure_async
from papermill.engines import NBClientEngine, papermill_engines

from validation.running import nursery_process
from validation.running.nursery_process import ONE_THREAD, NurseryProcess

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
    """End the kernel at once: it has answered everything and holds nothing that is still wanted."""
    provisioner: Any = manager.provisioner
    if manager.has_kernel and provisioner.process is not None:
        provisioner.process.kill()
        await asyncio.to_thread(provisioner.process.wait)
        provisioner.process = None
    await ensure_async(manager.cleanup_resources())


papermill_engines.register(ENGINE, FreshKernelEngine)


class ForkedProcess:
    """The part of `subprocess.Popen` that a kernel provisioner asks of a process that is another one's child."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int):
        self.pid = pid
        self.returncode: int | None = None

    def poll(self) -> int | None:
        try:
            os.kill(self.pid, 0)
        except ProcessLookupError:
            self.returncode = 0
        return self.returncode

    def wait(self) -> int | None:
        while self.poll() is None:
            time.sleep(0.005)
        return self.returncode

    def send_signal(self, number: int) -> None:
        try:
            os.kill(self.pid, number)
        except ProcessLookupError:
            self.returncode = 0

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


class ForkingKernelManager(AsyncKernelManager):
    """A manager whose kernel is forked from the nursery instead of started from nothing."""

    nursery: NurseryProcess

    async def _async_launch_kernel(self, kernel_cmd: list[str], **kwargs: Any) -> None:
        env = {name: str(value) for name, value in kwargs.get("env", os.environ).items()}
        cwd = str(kwargs.get("cwd") or os.getcwd())
        provisioner: Any = self.provisioner
        number = await asyncio.to_thread(self.nursery.fork, self.connection_file, cwd, {**env, **ONE_THREAD})
        if number is None:  # slower, but the same kernel
            await super()._async_launch_kernel(kernel_cmd, **kwargs)
            return
        provisioner.process, provisioner.pid, provisioner.pgid = ForkedProcess(number), number, None
        self._reconcile_connection_info(provisioner.connection_info)


class KernelSource:
    """Hands out kernel managers whose kernel is this interpreter, whatever kernels the machine has registered.

    Where the system can fork, kernels are forked from one process that has done the imports; elsewhere, or with
    `forking=False`, each is started from nothing. Both are fresh: one kernel, one notebook.
    """

    engine_name = ENGINE

    def __init__(self, *, forking: bool = hasattr(os, "fork")) -> None:
        self._folder = TemporaryDirectory(prefix="vk-", ignore_cleanup_errors=True)
        self._numbers = count(1)
        self._nursery = nursery_process.take() if forking else None

    def manager(self) -> AsyncKernelManager:
        """A manager whose kernel has not been started."""
        kind = AsyncKernelManager if self._nursery is None else ForkingKernelManager
        # Sockets of this user's own where the system has them; elsewhere loopback, signed with the connection's key.
        # An absolute connection file: the sockets lie beside it, wherever the kernel's working folder is.
        manager = kind(
            kernel_name="python3",
            transport="ipc" if os.name == "posix" else "tcp",
            connection_file=str(Path(self._folder.name) / f"{next(self._numbers)}.json"),
        )
        if isinstance(manager, ForkingKernelManager):
            assert self._nursery is not None
            manager.nursery = self._nursery
        argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}", "--log-level=40"]
        manager._kernel_spec = KernelSpec(argv=argv, display_name="Python 3", language="python", env=ONE_THREAD)
        return manager

    def close(self) -> None:
        """Remove the connection files; the kernels are gone already."""
        if self._nursery is not None:
            self._nursery.close()
        self._folder.cleanup()

    def __enter__(self) -> KernelSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
