"""Cuts the place of docs/tutorial.md out of the Neexdzii Kwa layers: python3 tutorial_place.py SOURCE_FOLDER OUT_FOLDER

Streams, roads and elevations are as the province has them, cut to a window; attributes that the tutorial does not use are left
out, and the channel width, which the source writes as text, is a number. The three blocks and the crossing are invented.
Needs geopandas and rasterio. Sources and licence: docs/tutorial/layers/SOURCES.md.
"""

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from rasterio.windows import from_bounds
from shapely import force_2d
from shapely.geometry import Point, Polygon, box

WINDOW = (980300.0, 1057900.0, 982900.0, 1060300.0)
BLOCKS = {
    "N-1": [(980985, 1059160), (981030, 1059560), (981270, 1059640), (981290, 1059330), (981240, 1059200), (981190, 1059150)],
    "N-2": [(981440, 1059215), (981420, 1059560), (981720, 1059900), (982120, 1059840), (982150, 1059480), (981960, 1059360), (981700, 1059290), (981560, 1059190)],
    "N-3": [(980985, 1059095), (981200, 1059100), (981330, 1059040), (981400, 1058960), (981390, 1058760), (981320, 1058570), (980930, 1058590), (980900, 1058680), (980975, 1058960)],
}


def cut(source, layer, window):
    layer = gpd.read_file(source / "neexdzii.gpkg", layer=layer)
    layer = layer[layer.intersects(window)].copy()
    layer.geometry = force_2d(layer.geometry.values)
    return layer


def main(source, out):
    window = box(*WINDOW)
    target = out / "layers.gpkg"
    target.unlink(missing_ok=True)

    blocks = gpd.GeoDataFrame(
        {"BLOCK": list(BLOCKS)}, geometry=[Polygon(ring) for ring in BLOCKS.values()], crs="EPSG:3005"
    )
    blocks.to_file(target, layer="blocks")

    streams = cut(source, "streams", window)
    streams["stream_id"] = [f"{key}-{at:.0f}" for key, at in zip(streams.blue_line_key, streams.downstream_route_measure)]
    streams["channel_width"] = pd.to_numeric(streams.channel_width)
    streams[["stream_id", "gnis_name", "stream_order", "channel_width", "geometry"]].to_file(target, layer="streams")

    # Where the block's own brook is narrow, in the middle of N-1.
    brook = streams[streams.stream_id == "360830799-0"].geometry.iloc[0]
    place = brook.interpolate(brook.project(Point(981130, 1059290)))
    crossing = gpd.GeoDataFrame({"id": ["X1"], "width_m": [8.0]}, geometry=[place], crs="EPSG:3005")
    crossing.to_file(target, layer="crossings")

    roads = cut(source, "roads", window).rename(columns={"transport_line_type_code": "road_type"})
    forest = cut(source, "roads_fsr", window).rename(columns={"road_section_name": "road_name"})
    forest["road_type"] = "FSR"
    roads = gpd.GeoDataFrame(pd.concat([roads, forest], ignore_index=True), crs="EPSG:3005")
    roads["road_id"] = [f"R{n}" for n in range(1, len(roads) + 1)]
    roads[["road_id", "road_type", "road_name", "geometry"]].to_file(target, layer="roads")

    with rasterio.open(source / "neexdzii_dem.tif") as dem:
        part = from_bounds(*WINDOW, dem.transform).round_offsets().round_lengths()
        metres = dem.read(1, window=part)
        assert metres.max() < 4000, "no gap in the window"
        options = dict(driver="GTiff", dtype="uint16", count=1, crs=dem.crs, compress="deflate", predictor=2, zlevel=9)
        height, width = metres.shape
        with rasterio.open(
            out / "elevation.tif", "w", height=height, width=width, transform=dem.window_transform(part), **options
        ) as written:
            written.write(metres.astype(np.uint16), 1)


main(Path(sys.argv[1]), Path(sys.argv[2]))
