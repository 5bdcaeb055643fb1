"""The past of a study: plans as frozen, readings and amendments as first seen, each entry chained to the one before."""
