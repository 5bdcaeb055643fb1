"""Readings of studies whose truth is stated, many at once: what a design would see, before anything is at the bench.

One module a kind of design. Each holds a frozen record of the design (what is read how often), one of the truth (means,
components, scatter), and a function that draws the readings of many studies, shape (studies, readings), from a
generator that the caller seeds. Nothing here computes a statistic. The unit of the readings is that of the truth.
"""
