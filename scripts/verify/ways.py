"""Measures how a finished layout is driven, from its files alone: ways.py LAYOUT_DIR.

Prints the metres cut and travelled, a bound below which no order of the same drives can come, travel through timber that
is not cut by then, passes that come after strips beside them, strips whose outlet end is not the nearer one, and drives
without a way: moves by road and pieces that nothing leads to, both as the layout's findings must tell. Ends with 1 where
a count that must be nought is not.
"""

import sys

import geopandas
import numpy
import shapely
from scipy.optimize import linear_sum_assignment

# Lines on an edge count as inside.
HAIR_M = 0.02
# Shorter pieces of a way are rounding at edges.
LEAST_M = 0.1
# As near to a road or landing as the program's own frontage: an end that lies so is at the outlet.
AT_OUTLET_M = 15.0
PIECE = ["part", "strip_no", "piece"]


def bound_m(lines: geopandas.GeoDataFrame) -> float:
    """Least straight travel that joins all drives of a block in any order, each begun at either end.

    An order joins the ends of drives in pairs but for the first and the last end; the cheapest pairing in halves is no dearer.
    A ring is begun and left anywhere on it.
    """
    ends = []
    for line in lines.geometry:
        first, last = shapely.get_point(line, 0), shapely.get_point(line, -1)
        ends += [line, line] if first.equals(last) else [first, last]
    ends = numpy.array(ends)
    count = len(ends)
    if count < 4:
        return 0.0
    costs = numpy.zeros((count + 2, count + 2))
    costs[:count, :count] = shapely.distance(ends[:, None], ends[None, :])
    never = 1e9
    costs[count:, count:] = never
    own = numpy.arange(count)
    costs[own, own] = never
    costs[own, own ^ 1] = never
    rows, columns = linear_sum_assignment(costs)
    return float(costs[rows, columns].sum() / 2.0)


def timber_m(block, lines, strips, travel, crossings) -> list[tuple[float, str]]:
    """Travel inside the block over ground that no drive up to then has cut, but for crossings; the piece that comes next is
    felled from where the machine stands before it drives onto it."""
    cut_at = lines.groupby(PIECE).order.min().to_dict()
    cut_at = numpy.array([cut_at.get(tuple(key), 10**9) for key in strips[PIECE].to_numpy()])
    inside = block.buffer(-HAIR_M).difference(shapely.union_all(crossings))
    shapes = strips.geometry.to_numpy()
    found = []
    for way in travel.itertuples():
        here = way.geometry.intersection(inside)
        if here.is_empty:
            continue
        # A way along an edge need not meet the ground that it lies on to the last bit.
        beside = shapely.dwithin(shapes, here, HAIR_M)
        open_by_then = shapes[(cut_at <= way.after_order + 1) & beside]
        rest = here.difference(shapely.union_all(open_by_then).buffer(HAIR_M))
        if rest.length > LEAST_M:
            found.append((rest.length, f"after {way.after_order}"))
    return found


def late_passes(lines, strips) -> list[str]:
    """Passes driven after a strip of their own setting that lies beside them."""
    found = []
    first = lines.groupby(PIECE).order.min()
    order_of = first.to_dict()
    passes = lines[lines.kind == "boundary_pass"]
    shapes = strips.assign(order=[order_of.get(tuple(key), 10**9) for key in strips[PIECE].to_numpy()])
    for one in passes.itertuples():
        own = shapes[(shapes.kind == "boundary_pass") & (shapes.part == one.part) & (shapes.piece == one.piece)]
        ground = shapely.union_all(own.geometry.to_numpy())
        before = shapes[(shapes.kind == "interior") & (shapes.part == one.part) & (shapes.order < one.order)]
        beside = before[shapely.distance(before.geometry.to_numpy(), ground) < HAIR_M]
        if len(beside):
            found.append(f"pass {one.order} after {int(beside.order.min())}")
    return found


def main() -> None:
    path = f"{sys.argv[1]}/layout.gpkg"

    def read(layer):
        return geopandas.read_file(path, layer=layer)

    lines, travel, strips, zones = (read(layer) for layer in ("strip_lines", "travel", "strips", "zones"))
    blocks = read("blocks").set_index("block_id").geometry
    lines = lines.sort_values(["block_id", "order"]).reset_index(drop=True)
    travelled = lines.travel_to_next_m.fillna(0.0)
    last = lines.block_id != lines.block_id.shift(-1)
    wayless = lines[lines.travel_to_next_m.isna() & ~last]
    passes = lines[lines.kind == "boundary_pass"]
    bound, timber, late = 0.0, [], []
    for name, own in lines.groupby("block_id"):
        bound += bound_m(own)
        here = strips[strips.block_id == name]
        ways = travel[(travel.block_id == name) & travel.geometry.notna()]
        over = zones[(zones.block_id == name) & (zones.kind == "crossing")].geometry.to_numpy()
        timber += [(m, f"{name} {at}") for m, at in timber_m(blocks[name], own, here, ways, over)]
        late += [f"{name} {text}" for text in late_passes(own, here)]
    cut_m, travel_m = lines.length_m.sum(), travelled.sum()
    print(f"blocks {len(blocks)}, drives {len(lines)}, boundary passes {len(passes)}", end="")
    print(f" ({(passes.length_m < 50).sum()} under 50 m)")
    print(f"cut {cut_m / 1e3:.1f} km, travel {travel_m / 1e3:.1f} km: {travel_m / cut_m:.3f}", end="")
    print(f"; no order of these drives travels less than {bound / 1e3:.1f} km: {bound / cut_m:.3f}")
    for after in ("road_clearing", "boundary_pass", "interior"):
        for before in ("road_clearing", "boundary_pass", "interior"):
            of = (lines.kind == after) & (lines.kind.shift(-1) == before) & ~last
            if of.any():
                print(f"  {after} to {before}: {of.sum()} times, {travelled[of].sum() / 1e3:.1f} km")
    print(f"travel through timber: {sum(m for m, _ in timber):.1f} m in {len(timber)} places", *worst(timber))
    print(f"passes after strips beside them: {len(late)}", *late[:5])
    following = lines.shift(-1)
    moves = wayless[(wayless.part != following.part[wayless.index]) | (following.part[wayless.index] == 0)]
    print(f"drives that no way leads to: {len(wayless)}, of them {len(moves)} moves by road to other settings", end="")
    print(f" or road clearings, the others within a setting: {len(wayless) - len(moves)}")
    untold = told_otherwise(read("findings"), wayless, moves)
    print(f"blocks whose findings tell of other moves or pieces: {len(untold)}", *untold[:5])
    wrong, both = outlet_ends(lines, read("outlets"))
    print(f"strips whose outlet end is farther from the outlet: {len(wrong)}", *wrong[:5], end="")
    print(f"; besides, with both ends within {AT_OUTLET_M:.0f} m of it: {len(both)}")
    sys.exit(1 if timber or late or wrong or untold else 0)


def told_otherwise(findings, wayless, moves) -> list[str]:
    """Blocks in which the findings tell of fewer or more moves and pieces without a way than the lines show."""
    shown = {"moves-by-road": moves.block_id.value_counts().to_dict()}
    within = wayless.drop(moves.index)
    shown["reachable"] = within.block_id.value_counts().to_dict()
    found = []
    for rule, counts in shown.items():
        own = findings[findings.rule_id == rule]
        told = own.groupby("block_id").geometry.apply(lambda places: int(shapely.get_num_geometries(places).sum()))
        told = told.to_dict()
        found += [f"{name} {rule}" for name in sorted(counts.keys() | told.keys()) if counts.get(name, 0) != told.get(name, 0)]
    return found


def worst(found):
    return [f"{m:.1f} m {at}" for m, at in sorted(found, reverse=True)[:4]]


def outlet_ends(lines, outlets) -> tuple[list[str], list[str]]:
    """Strips whose end at the outlet's side, where inbound ones begin and outbound ones end, is the farther one; those that
    lie along the outlet with both ends at it are told apart, for neither end is its side."""
    at = {(o.block_id, o.setting): o.geometry for o in outlets.itertuples()}
    found, both = [], []
    for line in lines[lines.kind == "interior"].itertuples():
        outlet = at.get((line.block_id, line.part))
        if outlet is None:
            continue
        first, last = shapely.get_point(line.geometry, 0), shapely.get_point(line.geometry, -1)
        near, far = (first, last) if line.heading == "in" else (last, first)
        if near.distance(outlet) > far.distance(outlet) + HAIR_M:
            name = f"{line.block_id} {line.part} {line.strip_no}.{line.piece}"
            (both if near.distance(outlet) < AT_OUTLET_M else found).append(name)
    return found, both


main()
