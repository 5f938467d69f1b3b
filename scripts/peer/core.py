"""The core of a layout in GeoPandas and Shapely 2, beside which blockwright is measured (docs/performance.md).

Reads what `cargo bench --bench core -- PROJECT --export FILE` wrote: blocks, features to keep out of and roads, each with
the distance that its rule asks for. Buffers, takes reserves off the blocks, cuts road band, strips and corridors, and
writes the areas of each block as CSV.

    python core.py INPUT.gpkg AREAS.csv [--processes N]
"""

import argparse
import resource
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import geopandas
import numpy
import pandas
import shapely

STRIP_M = 2 * (8.7 - 0.3048)
CORRIDOR_M = 4.0
# Sixteen segments a quarter circle leave 0.16 % of an arc's sagitta out: far below the 0.1 % of area that is compared.
QUARTER_SEGMENTS = 16


def grouped_union(block, pieces, count):
    """Union of `pieces` by the block that each belongs to; empty where a block has none."""
    result = numpy.full(count, shapely.Polygon(), dtype=object)
    order = numpy.argsort(block, kind="stable")
    block, pieces = block[order], pieces[order]
    numbers, first = numpy.unique(block, return_index=True)
    for number, group in zip(numbers, numpy.split(pieces, first[1:])):
        result[number] = group[0] if len(group) == 1 else shapely.union_all(group)
    return result


def zones(blocks, features):
    """What of the features' buffers lies in the box of each block, as one geometry a block."""
    count = len(blocks)
    if len(features) == 0:
        return numpy.full(count, shapely.Polygon(), dtype=object)
    buffers = shapely.buffer(
        features.geometry.values, features["distance_m"].values, quad_segs=QUARTER_SEGMENTS
    )
    block, feature = shapely.STRtree(buffers).query(blocks, predicate="intersects")
    # Only what lies in the block's box goes into the union: long rivers would be dragged through it whole.
    boxes = shapely.box(*(shapely.bounds(blocks)[block] + [-1, -1, 1, 1]).T)
    return grouped_union(block, shapely.intersection(buffers[feature], boxes), count)


def slabs(bounds, offset, width):
    """Upright rectangles across each box, and the index of the box that each belongs to."""
    pitch = STRIP_M + CORRIDOR_M
    low = bounds[:, 0] + offset
    count = numpy.maximum(numpy.ceil((bounds[:, 2] - low) / pitch), 0).astype(int)
    block = numpy.repeat(numpy.arange(len(bounds)), count)
    number = numpy.arange(len(block)) - numpy.repeat(numpy.cumsum(count) - count, count)
    x = low[block] + number * pitch
    return block, shapely.box(x, bounds[block, 1] - 1, x + width, bounds[block, 3] + 1)


def cut(ground, bounds, offset, width):
    """Area of the ground in the slabs, by block."""
    block, boxes = slabs(bounds, offset, width)
    shapely.prepare(ground)
    meets = shapely.intersects(ground[block], boxes)
    block, boxes = block[meets], boxes[meets]
    pieces = shapely.intersection(ground[block], boxes)
    return numpy.bincount(block, shapely.area(pieces), minlength=len(bounds))


def core(blocks, keep_out, roads):
    """Areas by block: net, road band, strips, corridors."""
    shapes = blocks.geometry.values.to_numpy()
    net = shapely.difference(shapes, zones(shapes, keep_out))
    band = zones(shapes, roads)
    free = shapely.difference(net, band)
    bounds = shapely.bounds(shapes)
    return pandas.DataFrame(
        {
            "id": blocks["id"].values,
            "net": shapely.area(net),
            "band": shapely.area(shapely.intersection(net, band)),
            "strips": cut(net, bounds, 0.0, STRIP_M),
            "corridors": cut(free, bounds, STRIP_M, CORRIDOR_M),
        }
    )


def near(blocks, features):
    """The features that may have to do with some of the blocks."""
    widest = features["distance_m"].max() if len(features) else 0.0
    boxes = shapely.box(*(shapely.bounds(blocks.geometry.values) + [-widest, -widest, widest, widest]).T)
    _, found = features.sindex.query(boxes)
    return features.iloc[numpy.unique(found)]


def part(arguments):
    result = core(*arguments)
    return result, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("input")
    parser.add_argument("areas")
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    begun = time.perf_counter()
    blocks, keep_out, roads = (
        geopandas.read_file(options.input, layer=layer, engine="pyogrio", use_arrow=False)
        for layer in ("blocks", "keep_out", "roads")
    )
    read = time.perf_counter()
    others = 0.0
    if options.processes == 1:
        result = core(blocks, keep_out, roads)
    else:
        # Neighbours together, so that few features are buffered twice; some more parts than processes, for the balance.
        order = blocks.geometry.hilbert_distance().argsort(kind="stable").values
        parts = [blocks.iloc[index] for index in numpy.array_split(order, 4 * options.processes)]
        work = [(some, near(some, keep_out), near(some, roads)) for some in parts]
        with ProcessPoolExecutor(options.processes, mp_context=get_context("fork")) as pool:
            done = list(pool.map(part, work))
        found = pandas.concat(areas for areas, _ in done)
        result = found.iloc[numpy.argsort(order, kind="stable")]
        others = options.processes * max(peak for _, peak in done)
    ended = time.perf_counter()
    result.to_csv(options.areas, index=False, float_format="%.4f")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 + others
    print(
        f"peer processes={options.processes} blocks={len(blocks)} read_s={read - begun:.3f} "
        f"core_s={ended - read:.3f} peak_mib={peak:.1f}"
    )


if __name__ == "__main__":
    main()
