#!/usr/bin/env python3
"""Opens layout.gpkg in the distribution's desktop GIS without a screen, with the styles that lie in the file, and draws it.

    render.py LAYOUT.gpkg PICTURE.png [BLOCK]

Prints one line a layer: its name, whether its own style was found, how many rules it has, how many features each rule draws. Ends
with 1 where a layer has no style of its own, or a feature that no rule draws. Needs package python3-qgis.
"""

import os
import sys

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from qgis.core import (  # noqa: E402
    QgsApplication,
    QgsExpressionContext,
    QgsExpressionContextUtils,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsSettings,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize  # noqa: E402
from qgis.PyQt.QtGui import QColor  # noqa: E402

# Painted in this order, lowest first.
ORDER = [
    "blocks", "net_area", "zones", "strips", "sections", "corridors", "retained", "unworked", "bunches", "travel", "skid_trails",
    "settings", "windows", "outlets", "strip_lines", "decks", "people", "power_lines", "notes", "findings",
]
# Drawn by no rule, on purpose: what the legend has no word for.
SILENT = {"findings"}


def main():
    path, picture = (os.path.abspath(name) for name in sys.argv[1:3])
    block = sys.argv[3] if len(sys.argv) > 3 else None
    application = QgsApplication([], False)
    application.initQgis()
    # Nobody else writes: a log beside the file, which comes and goes, is in the way of many layers.
    QgsSettings().setValue("qgis/walForSqlite3", False)
    layers, extent, failed = [], None, False
    for name in ORDER:
        whole = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
        # A layer of mixed shapes is opened once for each sort of them.
        parts = [sub.split("!!::!!") for sub in whole.dataProvider().subLayers()]
        kinds = [part[3] for part in parts if part[1] == name] if len(parts) > 1 else [None]
        for kind in kinds:
            source = f"{path}|layername={name}" + (f"|geometrytype={kind}" if kind else "")
            layer = QgsVectorLayer(source, name, "ogr")
            if not layer.isValid():
                print(f"{name} cannot be opened: {source}")
                failed = True
                continue
            _, found = layer.loadDefaultStyle()
            rules = []
            drawn = 0
            renderer = layer.renderer()
            if found and renderer and renderer.type() == "RuleRenderer":
                context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(layer))
                root = renderer.rootRule()
                rules = root.children()
                others = [rule for rule in rules if not rule.isElse()]
                for feature in layer.getFeatures():
                    context.setFeature(feature)
                    meets = [rule for rule in others if not rule.filter() or rule.filter().evaluate(context)]
                    drawn += bool(meets or len(others) < len(rules))
            count = layer.featureCount()
            print(f"{name} {kind or ''}: style {'found' if found else 'MISSING'}, {len(rules)} rules, {drawn} of {count} drawn")
            # An empty layer of mixed shapes is opened as a table.
            failed |= count > 0 and (not found or not rules or (drawn < count and name not in SILENT))
            if block and layer.fields().indexOf("block_id") >= 0:
                layer.setSubsetString(f"\"block_id\" = '{block}'")
            layers.insert(0, layer)
            if name == "blocks":
                layer.updateExtents()
                extent = layer.extent()
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setBackgroundColor(QColor(255, 255, 255))
    settings.setOutputSize(QSize(1400, 1000))
    settings.setOutputDpi(96)
    settings.setDestinationCrs(layers[-1].crs())
    extent.scale(1.08)
    settings.setExtent(extent)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    for error in job.errors():
        print(f"{error.layerID}: {error.message}")
        failed = True
    job.renderedImage().save(picture)
    return 1 if failed else 0


if __name__ == "__main__":
    # Without the application's own end, which may fall over its threads after all is done.
    code = main()
    sys.stdout.flush()
    os._exit(code)
