"""Holds the volumes that a layout takes from a raster against exactextract, section by section, on real rasters.

    python3 -m venv venv && venv/bin/pip install exactextract==0.3.0 geopandas==1.2.0 pyogrio rasterio==1.4.4
    venv/bin/python scripts/reference/zonal.py PROGRAM FOLDER RASTER WORK_CRS [RASTER WORK_CRS ...]

Each RASTER is taken for cubic metres per hectare. Blocks are laid over its middle, larger and smaller than its cells, and into
a corner of it; WORK_CRS may be another than the raster's. Ends with 1 where a section is off by more than 0.5 % of its volume.
"""

import json
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import rasterio
from exactextract import exact_extract
from pyproj import Transformer
from shapely.geometry import LineString, Polygon, box

MOST_OFF = 0.005


def blocks(raster, work):
    """Twelve blocks of 80 to 500 m and a road beside each, in the work CRS."""
    way = Transformer.from_crs(raster.crs, work, always_xy=True)
    found, roads = [], []
    left, bottom, right, top = raster.bounds
    for number in range(12):
        column, row = number % 4, number // 4
        x, y = way.transform(left + (right - left) * (0.25 + 0.15 * column), bottom + (top - bottom) * (0.3 + 0.15 * row))
        side = 80 + 38 * number
        # Turned against the grid, with one corner cut off.
        shape = Polygon([(x, y), (x + side, y + 0.2 * side), (x + 0.7 * side, y + side), (x - 0.2 * side, y + 0.8 * side)])
        found.append({"BLOCK": f"R-{number:02}", "geometry": shape})
        roads.append({"ROAD": f"{number:02}", "geometry": LineString([(x - 5, y - 6), (x + side, y + 0.2 * side - 6)])})
    return gpd.GeoDataFrame(found, crs=work), gpd.GeoDataFrame(roads, crs=work)


def lay_out(program, folder, raster_path, work):
    with rasterio.open(raster_path) as raster:
        own, roads = blocks(raster, work)
    folder.mkdir(parents=True, exist_ok=True)
    own.to_file(folder / "blocks.gpkg", layer="blocks")
    roads.to_file(folder / "roads.gpkg", layer="roads")
    link = folder / "volume.tif"
    link.unlink(missing_ok=True)
    link.write_bytes(Path(raster_path).read_bytes())
    (folder / "project.toml").write_text(f'''
[project]
crs = "{work}"
[layers.blocks]
source = "blocks.gpkg"
id = "BLOCK"
[layers.roads]
source = "roads.gpkg"
id = "ROAD"
[rules]
preset = "bare"
[layout]
level_ground = "a check of volumes"
[production]
stems_per_ha = 500
[stand_rasters]
volume_m3_per_ha = "volume.tif"
''')
    subprocess.run([program, "layout", "project.toml", "--out", "out", "--quiet"], cwd=folder, check=False)
    return gpd.read_file(folder / "out" / "layout.gpkg", layer="sections")


def main():
    program, folder = str(Path(sys.argv[1]).resolve()), Path(sys.argv[2]).resolve()
    worst, count = 0.0, 0
    for raster_path, work in zip(sys.argv[3::2], sys.argv[4::2]):
        sections = lay_out(program, folder / Path(raster_path).stem, raster_path, work)
        with rasterio.open(raster_path) as raster:
            means = exact_extract(raster, sections.to_crs(raster.crs), ["mean"], output="pandas")
        keys = ["block_id", "part", "strip_no", "piece", "section_no"]
        # A section of several polygons has several rows.
        sections["wanted"] = means["mean"].to_numpy() * sections["area_ha"].to_numpy()
        sums = sections.groupby(keys)[["volume_m3", "wanted"]].sum()
        off = (sums["volume_m3"] / sums["wanted"] - 1).abs()
        print(f"{Path(raster_path).name} in {work}: {len(sums)} sections of {sections['block_id'].nunique()} blocks, "
              f"{sums['volume_m3'].sum():.1f} m3, by exactextract {sums['wanted'].sum():.1f}; "
              f"the worst section is off by {100 * off.max():.4f} %")
        worst, count = max(worst, off.max()), count + len(sums)
    print(json.dumps({"sections": count, "worst": worst}))
    sys.exit(0 if count and worst <= MOST_OFF else 1)


main()
