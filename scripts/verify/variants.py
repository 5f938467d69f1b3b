"""Writes variants of a demo district's project file: variants.py PROJECT.toml prints the name of each."""

import pathlib
import re
import sys

VARIANTS = {
    "preset-qc-radf": {"preset": "qc-radf"},
    "preset-mn-filter-strip": {"preset": "mn-filter-strip"},
    "preset-wa-wac": {"preset": "wa-wac"},
    "share-7": {"share": "7 %"},
    "share-20": {"share": "20 %"},
    "share-30": {"share": "30 %"},
    "no-boundary-pass": {"boundary_pass": "false"},
    "reach-10": {"reach": "10.5 m"},
    "kept-for-accuracy": {"block_edge": "3 m"},
}


def with_preset(text: str, preset: str) -> str:
    """The same district under another preset: of the district's own rules only those for protected areas are kept."""
    head, *lines = text.replace('"bc-fppr"', f'"{preset}"').split("[[rules.line]]")
    rest = lines[-1][lines[-1].index("# --- Machine"):]
    kept = [line.split("# What must stay")[0] for line in lines if '"protected"' in line]
    rules = "".join("[[rules.line]]" + line for line in kept)
    return head + rules.split("# --- Machine")[0] + "\n" + rest


def replaced(text: str, pattern: str, by: str) -> str:
    changed, count = re.subn(pattern, by, text, count=1, flags=re.MULTILINE)
    if count != 1:
        sys.exit(f"the project file has nothing like {pattern!r}")
    return changed


def main() -> None:
    project = pathlib.Path(sys.argv[1])
    for name, change in VARIANTS.items():
        text = project.read_text()
        if "preset" in change:
            text = with_preset(text, change["preset"])
        if "share" in change:
            text = replaced(text, r'value = "12 %", source', f'value = "{change["share"]}", source')
        if "boundary_pass" in change:
            text = replaced(text, r"^boundary_pass\s*=.*$", f"boundary_pass = {change['boundary_pass']}")
        if "reach" in change:
            text = replaced(text, r'^reach(\s*)= "[^"]*"', rf'reach\1= "{change["reach"]}"')
        if "block_edge" in change:
            edge = f'accuracy = {{ value = "{change["block_edge"]}" }}\naccuracy_source = "handheld receiver (invented)"'
            text = replaced(text, r'^id +\= "BLOCK"$', f'id = "BLOCK"\n{edge}')
            text = replaced(text, r"^\[layout\]$", "[layout]\nkeep_for_accuracy = true")
        project.with_name(f"{name}.toml").write_text(text)
        print(name)


main()
