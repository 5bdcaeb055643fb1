"""Kernels of the running interpreter, one fresh process a notebook."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import ensure_async
from papermill.engines import NBClientEngine, papermill_engines

from validation.isolation import isolated_command, isolated_environment
from validation.running import nursery_process
from validation.running.nursery_process import ONE_THREAD, NurseryProcess

ENGINE = "validation-fresh-kernel"
#: A path of a socket holds 104 to 108 bytes, depending on the system; the kernel adds "-ipc-5" to the file's name.
LONGEST_SOCKET = 95


def kernel_options(connection_file: str) -> list[str]:
    """How a kernel is started: silent, without a history of inputs, without its working folder among its modules."""
    return ["-f", connection_file, "--log-level=40", "--HistoryManager.enabled=False", "--ignore-cwd"]


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
        if isinstance(manager, FreshKernelManager) and manager.nursery is not None:
            manager.nursery.kernels.discard(provisioner.process.pid)
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


class FreshKernelManager(AsyncKernelManager):
    """A manager whose kernel is forked from the nursery where there is one, and sees nothing of the user's settings."""

    nursery: NurseryProcess | None
    settings: dict[str, str]

    async def _async_launch_kernel(self, kernel_cmd: list[str], **kwargs: Any) -> None:
        provisioner: Any = self.provisioner
        # The nursery lives in another folder, so a relative one would mean something else to it.
        cwd = os.path.abspath(kwargs.get("cwd") or os.getcwd())
        number = None
        if self.nursery is not None:
            options = kernel_options(self.connection_file)
            number = await asyncio.to_thread(self.nursery.fork, options, cwd, self.settings)
        if number is None:  # slower, but the same kernel
            await super()._async_launch_kernel(kernel_cmd, **{**kwargs, "cwd": cwd, "env": self.settings})
            return
        provisioner.process, provisioner.pid, provisioner.pgid = ForkedProcess(number), number, None
        self._reconcile_connection_info(provisioner.connection_info)


class KernelSource:
    """Hands out kernel managers whose kernel is this interpreter, whatever kernels the machine has registered.

    Where the system can fork, kernels are forked from one process that has done the imports; elsewhere, or with
    `forking=False`, each is started from nothing. Both are fresh: one kernel, one notebook. Neither reads the user's
    startup files, nor imports anything from the folder it works in.
    """

    engine_name = ENGINE

    def __init__(self, *, forking: bool = hasattr(os, "fork")) -> None:
        self._folder = TemporaryDirectory(prefix="vk-", ignore_cleanup_errors=True)
        self._numbers = count(1)
        self._nursery = nursery_process.take() if forking else None
        self._settings = isolated_environment(**ONE_THREAD, IPYTHONDIR=str(Path(self._folder.name) / "ipython"))

    def hold(self, folder: Path, *, draft: bool) -> None:
        """Have a study read once for all kernels, where they are forked; its files must not change afterwards."""
        if self._nursery is not None:
            self._nursery.hold(str(folder.resolve()), draft=draft)

    def manager(self) -> AsyncKernelManager:
        """A manager whose kernel has not been started."""
        # An absolute connection file: the sockets are next to it, wherever the kernel's working folder is.
        file = Path(self._folder.name) / f"{next(self._numbers)}.json"
        # Sockets of this user's own where the system has them and the folder's name leaves room for theirs; elsewhere
        # loopback, signed with the connection's key.
        sockets = os.name == "posix" and len(os.fsencode(file)) < LONGEST_SOCKET
        transport = "ipc" if sockets else "tcp"
        manager = FreshKernelManager(kernel_name="python3", transport=transport, connection_file=str(file))
        manager.nursery, manager.settings = self._nursery, self._settings
        argv = isolated_command("from validation.running.nursery import launch; launch()")
        argv += kernel_options("{connection_file}")
        manager._kernel_spec = KernelSpec(argv=argv, display_name="Python 3", language="python", env=self._settings)
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
