"""Stacks, ways and cases for tests: the demo head, and random ones."""

from __future__ import annotations

import numpy as np

from plylane.plan.conduction import Stretch, Way
from plylane.plan.heat_case import Block, HeatCase, Limits
from plylane.plan.stack import Film, Stack
from plylane.plan.wood import SPECIES, Wood, species

ASH = Wood(species("white ash"), 9.0)


def demo_way(contact_W_m2K: float = 650.0) -> Way:
    """Guide of 80 mm, a gap, rollers in a nip of 20 mm; the contact is the twin's."""
    return Way(
        (
            Stretch("guide", 80.0, contact_W_m2K, zone=0),
            Stretch("gap", 30.0, 15.0),
            Stretch("nip", 20.0, contact_W_m2K, zone=1, pressed=True),
        )
    )


def demo_case(lanes: int = 5, **limits: float) -> HeatCase:
    """The demo head: ash strips 6.0 x 0.5 mm, glue from 72 degC, blocks at 110 and 95 degC."""
    wanted = {"glue_degC": 72.0, "face_degC": 120.0} | limits
    return HeatCase(
        Stack((0.5,) * lanes, 6.0, ASH),
        demo_way(),
        Limits(**wanted),  # type: ignore[arg-type]
        (110.0, 95.0),
        (Block(60.0, 0.35, 0.15), Block(40.0, 0.25)),
    )


def random_stack(seed: int) -> Stack:
    """One to eight strips, each of another thickness, some wood, some film."""
    draw = np.random.default_rng(seed)
    strips = draw.uniform(0.3, 1.5, size=draw.integers(2, 9))
    wood = Wood(SPECIES[str(draw.choice(sorted(SPECIES)))], draw.uniform(0.0, 20.0))
    film = Film(draw.uniform(0.01, 0.1), draw.uniform(0.1, 0.4), 2e6, draw.uniform(0.0, 1e-3))
    return Stack(tuple(map(float, strips)), 6.0, wood, film)


def random_way(seed: int) -> Way:
    """Two zones with air between and after, contact and lengths at random."""
    draw = np.random.default_rng(seed + 1000)
    length, contact = draw.uniform(10.0, 120.0, 4), draw.uniform(200.0, 3000.0, 2)
    return Way(
        (
            Stretch("guide", length[0], contact[0], zone=0),
            Stretch("gap", length[1], draw.uniform(5.0, 40.0)),
            Stretch("nip", length[2], contact[1], zone=1, pressed=True),
            Stretch("cord", length[3], draw.uniform(5.0, 40.0)),
        ),
        entry_degC=20.0,
        air_degC=25.0,
    )
