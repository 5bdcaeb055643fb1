"""The worksheets of the demonstration, one module an experiment: `rows` draws them from the truth."""
