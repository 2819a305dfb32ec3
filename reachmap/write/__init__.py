"""What you take along: rasters, vectors, waypoints, the map, the card, the run record."""

from reachmap.write.card import card_page
from reachmap.write.folder import write_outputs
from reachmap.write.hours import hours_text
from reachmap.write.index import index_page
from reachmap.write.record import run_record
from reachmap.write.rows import lies_table
from reachmap.write.summary import summarise
from reachmap.write.webmap import map_page

__all__ = [
    "card_page",
    "hours_text",
    "index_page",
    "lies_table",
    "map_page",
    "run_record",
    "summarise",
    "write_outputs",
]
