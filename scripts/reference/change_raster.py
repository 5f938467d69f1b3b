"""Writes fixtures/audit/change_raster.json: what a hand-made raster of change says of one block, by rasterio, Shapely and PROJ.

change_raster.py > fixtures/audit/change_raster.json   (pip install rasterio shapely pyproj)

The cells are those of tests/judging/change_raster.rs, in the CRS of the project and, with the same cells laid elsewhere, in two others.
Pieces below the least size are taken out by their own area, small holes stay; of a piece that lies mostly in the block all counts, of
any other what lies in it.
"""

import json

import numpy as np
from pyproj import Transformer
from rasterio.features import shapes
from rasterio.transform import Affine
from shapely import box, transform, unary_union
from shapely.geometry import shape

UTM = "EPSG:32616"
EAST, NORTH = 500_000.0, 5_400_000.0
LEAST_CELLS = 5


def cells():
    grid = np.zeros((20, 30), np.uint8)
    for row, column, high, wide in [(11, 5, 2, 20), (7, 20, 2, 7), (6, 7, 1, 1), (14, 23, 6, 7)]:
        grid[row:row + high, column:column + wide] = 1
    grid[12, 15] = 0
    grid[5, 15:17] = 255
    return grid


def seen(crs, affine):
    grid = cells()
    block = box(EAST, NORTH, EAST + 200, NORTH + 100)
    transformer = Transformer.from_crs(crs, UTM, always_xy=True)

    def back(xy):
        return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))

    pieces = []
    for own, value in shapes(grid, mask=grid == 1, connectivity=4, transform=affine):
        piece = shape(own)
        if round(piece.area / abs(affine.determinant)) < LEAST_CELLS:
            continue
        piece = piece if crs == UTM else transform(piece, back)
        if piece.intersects(block):
            inside = piece.intersection(block)
            pieces.append(piece if inside.area >= piece.area / 2 else inside)
    cut = unary_union(pieces)
    unknown = [shape(own) for own, _ in shapes(grid, mask=grid == 255, connectivity=4, transform=affine)]
    unknown = [own if crs == UTM else transform(own, back) for own in unknown]
    outside = cut.difference(block)
    corners = [c for own in getattr(outside, "geoms", [outside]) for c in own.exterior.coords]
    return {
        "cut_ha": cut.intersection(block).area / 1e4,
        "outside_m": max(block.distance(shape({"type": "Point", "coordinates": c})) for c in corners),
        "known": 1 - sum(own.intersection(block).area for own in unknown) / block.area,
    }


def main():
    found = {"EPSG:32616": seen(UTM, Affine(10, 0, EAST - 50, 0, -10, NORTH + 150))}
    for crs in ("EPSG:4326", "EPSG:3857"):
        forth = Transformer.from_crs(UTM, crs, always_xy=True).transform
        corner = forth(EAST - 50, NORTH + 150)
        right = forth(EAST + 250, NORTH + 150)
        low = forth(EAST - 50, NORTH - 50)
        wide, high = (right[0] - corner[0]) / 30, (corner[1] - low[1]) / 20
        step = round(wide, 8), round(high, 8)
        affine = Affine(step[0], 0, round(corner[0], 8), 0, -step[1], round(corner[1], 8))
        found[crs] = {"affine": affine.to_gdal(), **seen(crs, affine)}
    print(json.dumps(found, indent=1))


main()
