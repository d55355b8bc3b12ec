"""Built shops in other clothes: the same rows and facts, written as exports really come."""

from tests.shops.renderings.settings import names_of, truth_of
from tests.shops.renderings.way import Dates, Way
from tests.shops.renderings.ways import WAYS
from tests.shops.renderings.write import render_as

__all__ = ["WAYS", "Dates", "Way", "names_of", "render_as", "truth_of"]
