"""Algorithms for the processing toolbox of the common open desktop GIS: each runs the program and opens what it wrote."""


def classFactory(iface):
    from .plugin import Plugin

    return Plugin(iface)
