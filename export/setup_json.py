"""A set-up as data, the same in every file that holds one."""

from shimwright.export.plain_json import number
from shimwright.optimize.setup import Setup, height_mm


def setup_to_json(setup: Setup | None) -> dict[str, object] | None:
    """Arch, insert and what lies in each pocket; null where there is none."""
    if setup is None:
        return None
    pockets = {
        name: {
            "layers": [{"shim": layer.shim, "thickness_mm": number(layer.thickness_mm, 3)} for layer in stack],
            "layers_mm": [number(layer.thickness_mm, 3) for layer in stack],
            "height_mm": number(height_mm(stack), 3),
        }
        for name, stack in setup.stacks.items()
    }
    return {"arch": setup.arch, "insert": setup.insert, "pockets": pockets}
