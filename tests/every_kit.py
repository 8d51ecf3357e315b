"""The kit by brute force: every subset of the pieces, every set-up of every horse."""

from itertools import product

import numpy as np

from shimwright.optimize.kit_model import SAME


def every_kit(yard):
    """All subsets that serve every horse: (count, price, arches, cost), by looking at every set-up of every horse."""
    units = yard.arches.size
    for chosen in product((False, True), repeat=units):
        price = cost = 0.0
        for offer in yard.offers:
            able = [
                s
                for s in range(offer.cost.size)
                if np.isfinite(offer.cost[s])
                and not any(n and not c for n, c in zip(offer.needs[s], chosen, strict=True))
            ]
            if not able:
                break
            best = min(able, key=lambda s: offer.cost[s])
            price, cost = price + offer.price[best], cost + offer.cost[best]
        else:
            arches = sum(c for c, a in zip(chosen, yard.arches, strict=True) if a)
            yield sum(chosen), price, arches, cost


def best_of_size(kits, count):
    """Least price, then fewest arches, then least cost, of kits of at most `count` units."""
    some = [kit for kit in kits if kit[0] <= count]
    price = min(kit[1] for kit in some)
    some = [kit for kit in some if kit[1] <= price + SAME]
    arches = min(kit[2] for kit in some)
    return price, arches, min(kit[3] for kit in some if kit[2] == arches)
