"""Inspect, layout and audit as algorithms with forms.

They run the program and open what it wrote. Where it is found: the parameter, else BLOCKWRIGHT in the environment, else PATH.
"""

import os
import shutil
import subprocess
import threading
from pathlib import Path

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterString,
    QgsVectorLayer,
)

# Codes of the program that leave results behind: all is well; something was set aside or is not met.
GOOD = (0, 3)
# Shown on opening, lowest first; the others lie in the file.
LAYOUT_LAYERS = ["zones", "sections", "corridors", "retained", "unworked", "strip_lines", "outlets", "decks", "blocks", "findings"]


class Run(QgsProcessingAlgorithm):
    """What all of them have in common."""

    def createInstance(self):
        return type(self)()

    def group(self):
        return "Felling blocks"

    def groupId(self):
        return "felling-blocks"

    def shared_parameters(self):
        self.addParameter(
            QgsProcessingParameterFile("PROJECT", "Project file", QgsProcessingParameterFile.File, "toml")
        )
        program = QgsProcessingParameterFile("PROGRAM", "Program, where it is not on the path", optional=True)
        program.setFlags(program.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
        self.addParameter(program)

    def only(self):
        self.addParameter(
            QgsProcessingParameterString("ONLY", "Only these blocks, parted by commas", optional=True)
        )

    def program(self, parameters, context):
        given = self.parameterAsFile(parameters, "PROGRAM", context)
        found = given or os.environ.get("BLOCKWRIGHT") or shutil.which("blockwright")
        if not found or not Path(found).exists():
            raise QgsProcessingException(
                f"the program {found or 'blockwright'} is not there: install it, or name it under Advanced parameters"
            )
        return found

    def run(self, command, feedback):
        """Runs the program, shows what it says as it says it, and ends it when asked to. Returns its code and its output."""
        feedback.pushCommandInfo(" ".join(command))
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8", errors="replace"
        )
        said = []

        def listen():
            for line in process.stderr:
                said.append(line.rstrip())
                feedback.pushInfo(line.rstrip())

        def output():
            printed.append(process.stdout.read())

        printed = []
        threads = [threading.Thread(target=listen), threading.Thread(target=output)]
        for thread in threads:
            thread.start()
        while True:
            try:
                process.wait(0.2)
                break
            except subprocess.TimeoutExpired:
                if feedback.isCanceled():
                    process.terminate()
        for thread in threads:
            thread.join()
        if feedback.isCanceled():
            raise QgsProcessingException("ended on request; outputs are as they were before")
        if process.returncode not in GOOD:
            # All of it was shown already.
            raise QgsProcessingException(said[0] if said else f"the program ended with {process.returncode}")
        return process.returncode, printed[0]

    def show(self, path, names, context):
        """Opens layers of a GeoPackage after the run, with the styles that lie in it; those without features are left out."""
        for name in names:
            source = f"{path}|layername={name}"
            layer = QgsVectorLayer(source, name, "ogr")
            if not layer.isValid() or layer.featureCount() == 0:
                continue
            details = QgsProcessingContext.LayerDetails(name, context.project(), name)
            context.temporaryLayerStore().addMapLayer(layer)
            context.addLayerToLoadOnCompletion(layer.id(), details)


class Inspect(Run):
    def name(self):
        return "inspect"

    def displayName(self):
        return "Inspect the layers of a project"

    def shortHelpString(self):
        return "Reads all layers of a project file and lists what is wrong, and where. Computes nothing."

    def initAlgorithm(self, config=None):
        self.shared_parameters()
        self.addOutput(QgsProcessingOutputString("REPORT", "What was found"))
        self.addOutput(QgsProcessingOutputNumber("CODE", "0: nothing is wrong; 3: something is"))

    def processAlgorithm(self, parameters, context, feedback):
        project = self.parameterAsFile(parameters, "PROJECT", context)
        code, report = self.run([self.program(parameters, context), "inspect", project], feedback)
        feedback.pushInfo(report)
        return {"REPORT": report, "CODE": code}


class Layout(Run):
    def name(self):
        return "layout"

    def displayName(self):
        return "Lay out felling blocks"

    def shortHelpString(self):
        return (
            "Lays out the blocks of a project file: reserves, road band, strips, retention, day-only and night-safe sections. "
            "Opens the layers with their styles. Local codes and permits go before what it says."
        )

    def initAlgorithm(self, config=None):
        self.shared_parameters()
        self.only()
        self.addParameter(QgsProcessingParameterFolderDestination("OUTPUT", "Folder for the results"))
        self.addParameter(QgsProcessingParameterBoolean("OPEN", "Open the layers afterwards", True))
        self.addOutput(QgsProcessingOutputNumber("CODE", "0: all is well; 3: something was set aside or is not met"))

    def processAlgorithm(self, parameters, context, feedback):
        project = self.parameterAsFile(parameters, "PROJECT", context)
        out = self.parameterAsString(parameters, "OUTPUT", context)
        command = [self.program(parameters, context), "layout", project, "--out", out]
        only = self.parameterAsString(parameters, "ONLY", context)
        if only:
            command += ["--only", only]
        code, _ = self.run(command, feedback)
        if self.parameterAsBoolean(parameters, "OPEN", context):
            self.show(Path(out) / "layout.gpkg", LAYOUT_LAYERS, context)
        return {"OUTPUT": out, "CODE": code}


class Audit(Run):
    def name(self):
        return "audit"

    def displayName(self):
        return "Prove a plan or a cut against the rules"

    def shortHelpString(self):
        return (
            "Holds a plan (layout.gpkg), or what was cut (polygons or tracks of the felling machine), against the rules of a "
            "project file, independently of the layout. With both, the two are compared."
        )

    def initAlgorithm(self, config=None):
        self.shared_parameters()
        self.addParameter(QgsProcessingParameterFile("PLAN", "Plan: layout.gpkg, or polygons", optional=True))
        self.addParameter(QgsProcessingParameterFile("CUT", "What was cut: polygons or tracks", optional=True))
        self.only()
        self.addParameter(QgsProcessingParameterFolderDestination("OUTPUT", "Folder for the results"))
        self.addParameter(QgsProcessingParameterBoolean("OPEN", "Open the layers afterwards", True))
        self.addOutput(QgsProcessingOutputNumber("CODE", "0: all rules are met; 3: something is not"))

    def processAlgorithm(self, parameters, context, feedback):
        project = self.parameterAsFile(parameters, "PROJECT", context)
        out = self.parameterAsString(parameters, "OUTPUT", context)
        command = [self.program(parameters, context), "audit", project, "--out", out]
        for key, option in (("PLAN", "--plan"), ("CUT", "--as-cut")):
            path = self.parameterAsFile(parameters, key, context)
            if path:
                command += [option, path]
        if len(command) == 5:
            raise QgsProcessingException("give a plan, or what was cut, or both")
        only = self.parameterAsString(parameters, "ONLY", context)
        if only:
            command += ["--only", only]
        code, _ = self.run(command, feedback)
        if self.parameterAsBoolean(parameters, "OPEN", context):
            path = Path(out) / "audit.gpkg"
            whole = QgsVectorLayer(str(path), "audit", "ogr")
            names = dict.fromkeys(sub.split("!!::!!")[1] for sub in whole.dataProvider().subLayers())
            self.show(path, names, context)
        return {"OUTPUT": out, "CODE": code}
