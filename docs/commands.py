"""Write docs/commands.md from the help of the commands. Run it after changing one: python docs/commands.py"""

from __future__ import annotations

from pathlib import Path
from typing import Any

HEAD = """\
# Commands

This page is made from the help of the commands themselves by `python docs/commands.py`; a test keeps it true.

Exit codes of every command: 0 done; 1 the answer is no (a dossier does not verify, `--strict` and a requirement is
not met, an amendment was declined); 2 the input or the call is wrong. Faults are printed one a line on standard error:
file, row, reading, column, what was found, what was expected, how to correct it. Every command ends
by saying what comes next.

[files.md](files.md) explains what the study folder holds.
"""


def command_page() -> str:
    """The whole page, from what the commands say of themselves, whatever version lays out their help."""
    import typer

    from validation.cli import app

    group: Any = typer.main.get_command(app)
    return "\n".join([HEAD, *(_command(name, command) for name, command in group.commands.items())])


def _command(name: str, command: Any) -> str:
    arguments = [item for item in command.params if item.param_type_name == "argument"]
    options = [item for item in command.params if item.param_type_name == "option" and "--help" not in item.opts]
    places = [str(item.metavar) if item.required else f"[{item.metavar}]" for item in arguments]
    usage = " ".join(["validation", name, *places, "[OPTIONS]" if options else ""])
    about = "\n\n".join(" ".join(part.split()) for part in str(command.help).split("\n\n"))
    rows = [f"| `{item.metavar}` | {item.help} |" for item in arguments]
    rows += [f"| {_flags(item)} | {item.help}{' Required.' if item.required else ''} |" for item in options]
    table = "\n".join(["| give | meaning |", "|---|---|", *rows])
    return f"## validation {name}\n\n{about}\n\n```text\n{usage.rstrip()}\n```\n\n{table}\n"


def _flags(option: Any) -> str:
    names = ", ".join(f"`{name}`" for name in (*option.opts, *option.secondary_opts))
    value = option.metavar or ("" if option.is_flag else "TEXT")
    return f"{names} {value}".rstrip()


if __name__ == "__main__":
    Path(__file__).with_name("commands.md").write_text(command_page(), encoding="utf-8")
