"""Moves a demo district to another place on the globe: places.py DISTRICT OUT EPSG NORTHING.

The ground stays as it is; its layers are said to lie in another UTM zone, NORTHING metres along its axis (the southern corner of
all blocks). So the same blocks have the daylight of another latitude.
"""

import pathlib
import re
import shutil
import sys

import geopandas
import pyogrio
import rasterio
from affine import Affine


def main() -> None:
    district, out = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
    epsg, northing = int(sys.argv[3]), float(sys.argv[4])
    out.mkdir(parents=True, exist_ok=True)
    package = district / "layers.gpkg"
    blocks = geopandas.read_file(package, layer="blocks")
    up = round(northing - blocks.total_bounds[1])
    (out / "layers.gpkg").unlink(missing_ok=True)
    for name, _ in pyogrio.list_layers(package):
        layer = geopandas.read_file(package, layer=name)
        if "geometry" in layer:
            layer["geometry"] = layer.geometry.to_crs(blocks.crs).translate(0, up)
            layer = layer.set_crs(epsg, allow_override=True)
        layer.to_file(out / "layers.gpkg", layer=name, driver="GPKG")
    with rasterio.open(district / "elevation.tif") as raster:
        profile, values = raster.profile, raster.read()
    if profile["crs"] != blocks.crs:
        sys.exit("the elevations are in another CRS than the blocks")
    profile.update(crs=f"EPSG:{epsg}", transform=Affine.translation(0, up) * profile["transform"])
    with rasterio.open(out / "elevation.tif", "w", **profile) as raster:
        raster.write(values)
    shutil.copy(district / "trees.csv", out / "trees.csv")
    text, count = re.subn(r'^crs( *)= "EPSG:\d+"', rf'crs\1= "EPSG:{epsg}"', (district / "project.toml").read_text(), count=1, flags=re.MULTILINE)
    if count != 1:
        sys.exit("the project file names no work CRS")
    (out / "project.toml").write_text(text)


main()
