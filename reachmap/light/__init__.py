"""What reaches the bed: sun and moon, sky and cloud, shade, surface, water column."""

from reachmap.light.bed import BedTerms, bed_light, bed_terms
from reachmap.light.bodies import is_dark, sun_and_moon
from reachmap.light.cloud import beam_and_diffuse, cloud_factors
from reachmap.light.colours import band_attenuation
from reachmap.light.day import (
    edge_through_day,
    eye_through_day,
    light_of_scenes,
    light_through_day,
    lux_through_day,
)
from reachmap.light.edge import edge_step, shade_edge
from reachmap.light.lux import moon_lux, sun_lux
from reachmap.light.model import Body, DayLight, Light
from reachmap.light.moment import light_at
from reachmap.light.shade import Shade, prepare_shade
from reachmap.light.surface import beam_mu, surface_transmission
from reachmap.light.water import clarity_to_attenuation, white_clarity_m

__all__ = [
    "BedTerms",
    "Body",
    "DayLight",
    "Light",
    "Shade",
    "band_attenuation",
    "beam_and_diffuse",
    "beam_mu",
    "bed_light",
    "bed_terms",
    "clarity_to_attenuation",
    "cloud_factors",
    "edge_step",
    "edge_through_day",
    "eye_through_day",
    "is_dark",
    "light_at",
    "light_of_scenes",
    "light_through_day",
    "lux_through_day",
    "moon_lux",
    "prepare_shade",
    "shade_edge",
    "sun_and_moon",
    "sun_lux",
    "surface_transmission",
    "white_clarity_m",
]
