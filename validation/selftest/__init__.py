"""The self-test: published examples, certified values and other libraries against the statistics of this program."""
