"""What the desktop GIS loads: a provider of algorithms."""

from qgis.core import QgsApplication, QgsProcessingProvider

from .algorithms import Audit, Inspect, Layout


class Provider(QgsProcessingProvider):
    def id(self):
        return "blockwright"

    def name(self):
        return "blockwright"

    def loadAlgorithms(self):
        for algorithm in (Inspect(), Layout(), Audit()):
            self.addAlgorithm(algorithm)


class Plugin:
    def __init__(self, iface):
        self.provider = None

    def initProcessing(self):
        self.provider = Provider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self):
        self.initProcessing()

    def unload(self):
        if self.provider:
            QgsApplication.processingRegistry().removeProvider(self.provider)
