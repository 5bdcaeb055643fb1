"""The study: plan, lock, worksheets, amendments, quantities and the judging of requirements."""
