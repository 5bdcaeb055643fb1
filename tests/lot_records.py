"""A lot record in full, for tests of reading it, of what expires, and of its assigned value."""

from __future__ import annotations

from pathlib import Path

from study_folder import PLAN, PRECISION, write_study

RECORD = """\
lot: S-1
made: 2026-06-20
maker: A1
checker: A2
unit: "%"
fuel: {name: FB-7, batch: "3", opened: 2026-06-20, purity: 0.999, u_purity: 0.0002}
oil: {name: OG-N, batch: "11"}
weighings:
  - {what: oil, mass_g: 19.0049, u_g: 0.0003, balance: BAL-1, certificate: C-1, certificate_valid_until: 2026-12-31}
  - {what: fuel, mass_g: 1.0003, u_g: 0.0003, balance: BAL-1, certificate: C-1, certificate_valid_until: 2026-12-31}
loss_while_weighing: {most: "0.5%", shape: one sided}
buoyancy: {fuel_density: 835, oil_density: 870, air_density: 1.2}
homogeneity: {u: "0.4%"}
in_use_loss: {u: "0.3%", per_week: "1.2%", days: 3}
first_use: 2026-06-22
last_use: 2026-07-02
expires: 2026-09-20
"""
STANDARDS = "standards:\n  - {name: S-1, value: 5.0, uncertainty: 0.03, lot_record: standards/S-1.yaml}\n"


def lot_study(folder: Path, record: str = RECORD, *, plan: str = STANDARDS, lot: str = "S-1", sheet: str = "") -> Path:
    """The small study with this lot record; every reading names the lot, and the instrument SAW-1."""
    lines = (sheet or PRECISION).splitlines()
    rows = [lines[0] + ",lot,instrument", *(f"{line},{lot},SAW-1" for line in lines[1:])]
    write_study(
        folder,
        {"precision": "\n".join(rows) + "\n"},
        plan=PLAN.rstrip("\n") + "\n" + plan.replace("{", "{{").replace("}", "}}"),
    )
    (folder / "standards").mkdir(exist_ok=True)
    (folder / "standards" / "S-1.yaml").write_text(record, encoding="utf-8")
    return folder
