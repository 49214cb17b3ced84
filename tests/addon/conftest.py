"""A fresh Blender for each test: empty scene, factory settings, the add-on registered."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from seamwright.mesh import Mesh  # noqa: E402


def pytest_sessionfinish(session, exitstatus):
    session.config.exit_code = int(exitstatus)


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config):
    """End at once with the tests' own exit code where Blender would crash on its way out.

    Before Blender 5, bpy as a module crashes or hangs as Python ends if a property with an
    update callback was ever registered, by any add-on.
    """
    bpy = sys.modules.get("bpy")
    if bpy is not None and bpy.app.version < (5, 0, 0) and hasattr(config, "exit_code"):
        sys.stdout.flush()
        os._exit(config.exit_code)


@pytest.fixture(autouse=True)
def registered():
    """The add-on, registered in an empty file and taken out again afterwards."""
    bpy = pytest.importorskip("bpy")
    import blender_addon  # noqa: PLC0415  (needs bpy)

    bpy.ops.wm.read_factory_settings(use_empty=True)
    blender_addon.register()
    yield blender_addon
    blender_addon.unregister()


@pytest.fixture
def scene(registered):
    """The empty scene, in millimetres."""
    import bpy  # noqa: PLC0415

    bpy.context.scene.unit_settings.scale_length = 0.001
    return bpy.context.scene


@pytest.fixture
def add(registered):
    """Adds a library mesh as an object, selected and active: `add(mesh, name)`."""
    import bpy  # noqa: PLC0415

    def add(mesh: Mesh, name: str = "Keeper"):
        data = bpy.data.meshes.new(name)
        data.from_pydata(mesh.vertices.tolist(), [], mesh.faces.tolist())
        obj = bpy.data.objects.new(name, data)
        bpy.context.scene.collection.objects.link(obj)
        for other in bpy.context.view_layer.objects.selected:
            other.select_set(False)
        obj.select_set(True)
        bpy.context.view_layer.objects.active = obj
        bpy.context.view_layer.update()
        return obj

    return add


@pytest.fixture
def counts():
    """Counts what the file holds of every kind that we might leave behind."""
    import bpy  # noqa: PLC0415

    kinds = ("objects", "meshes", "curves", "metaballs", "scenes", "collections", "materials",
             "shape_keys", "worlds", "texts")  # fmt: skip
    return lambda: {kind: len(getattr(bpy.data, kind)) for kind in kinds}


@pytest.fixture
def contents():
    """The bytes of a mesh datablock: every attribute, and how faces use vertices."""

    def contents(data) -> bytes:
        out = b""
        for attribute in data.attributes:
            kind = {"FLOAT_VECTOR": ("vector", 3, np.float32), "FLOAT": ("value", 1, np.float32),
                    "INT": ("value", 1, np.int32), "BOOLEAN": ("value", 1, bool),
                    "INT32_2D": ("value", 2, np.int32)}  # fmt: skip
            key, width, number = kind[attribute.data_type]
            values = np.empty(len(attribute.data) * width, dtype=number)
            attribute.data.foreach_get(key, values)
            out += attribute.name.encode() + values.tobytes()
        starts = np.empty(len(data.polygons), dtype=np.int32)
        data.polygons.foreach_get("loop_start", starts)
        return out + starts.tobytes()

    return contents
