"""What stays the same from frame to frame of a scene, computed once and kept: floor, walls, shadows, materials."""

from __future__ import annotations

import functools
import math

import numpy as np

from robotlab.greenhouse import foliage, textures
from robotlab.greenhouse.lighting import Lighting, lighting_named
from robotlab.greenhouse.materials import Material, material_of, profile_of
from robotlab.greenhouse.ray_intersections import SHAPES, Light
from robotlab.greenhouse.scene import Scene, Thing
from robotlab.greenhouse.shadows import ShadowMap

# Scenes whose parts are kept: the walks and some of them under other light, which comparisons go through again and again.
KEPT = 10


class Decor:
    """All that a seed and a lighting decide: floor, walls, plants, sun, scuffs."""

    def __init__(self, seed: int, floor: tuple[str, str], path_half_m: float, plants_m: float, outside: float) -> None:
        self._walls = seed, floor, path_half_m, plants_m, outside
        self.plants = foliage.SpriteSheet.build([foliage.bush(np.random.default_rng([seed, 3, i])) for i in range(6)])
        rng = np.random.default_rng([seed, 4])
        self.scuffs = textures.grain(rng, (128, 128), 1.5, 5).astype(np.float32)
        self.azimuth = float(rng.uniform(-math.pi, math.pi))

    @functools.cached_property
    def around(self) -> tuple[np.ndarray, int, textures.Pyramid]:
        """Texels of floor and walls, where those of the walls begin, and the walls; made when a picture is."""
        seed, floor, path_half_m, plants_m, outside = self._walls
        ground = _floor(seed, *floor, path_half_m)
        wall = foliage.wall(np.random.default_rng([seed, 2]), plants_m, outside)
        # Floor and walls end to end: one look-up serves every pixel.
        return np.concatenate([ground.texels, wall.texels]), ground.texels.size, wall


# The same under any lighting.
@functools.lru_cache(maxsize=KEPT)
def _floor(seed: int, path: str, beside: str, path_half_m: float) -> textures.Pyramid:
    return textures.floor(np.random.default_rng([seed, 1]), path, beside, path_half_m)


_decor = functools.lru_cache(maxsize=KEPT)(Decor)
_shadow_map = functools.lru_cache(maxsize=KEPT)(ShadowMap)


class Stage:
    """What a scene is apart from the places of its posts.

    Parameters
    ----------
    things : tuple of Thing
        All things, each post at the origin.
    room_m : (float, float, float, float)
        Walls.
    decor : Decor
        Textures.
    lighting : Lighting
        Light.
    """

    def __init__(
        self, things: tuple[Thing, ...], room_m: tuple[float, float, float, float], decor: Decor, lighting: Lighting
    ) -> None:
        self.room_m, self.decor, self.lighting = room_m, decor, lighting
        cos, sin = math.cos(lighting.elevation_rad), math.sin(lighting.elevation_rad)
        toward = math.cos(decor.azimuth) * cos, math.sin(decor.azimuth) * cos, sin
        self.sun = Light(toward, lighting.direct)
        self._still = tuple(thing for thing in things if thing.kind != "post")
        # Things of one shape lie together: the place of each in the scene, and where round things and boxes end.
        self.order = sorted(range(len(things)), key=lambda i: SHAPES.index(things[i].shape))
        self.things = tuple(things[i] for i in self.order)
        shapes = [thing.shape for thing in self.things]
        self.ends = (shapes.count("round"), len(shapes) - shapes.count("plant"))
        self.posts = [i for i, thing in enumerate(self.things) if thing.kind == "post"]
        self.x, self.y = np.array([(thing.x_m, thing.y_m) for thing in self.things], float).reshape(-1, 2).T
        materials = [material_of(thing, i, self.sun) for i, thing in enumerate(self.things)]
        self.materials = np.array(materials, np.float32).reshape(-1, len(Material._fields)).T
        rounds = self.things[: self.ends[0]]
        self.profiles = (
            np.concatenate([profile_of(thing) for thing in rounds], axis=1) if rounds else np.zeros((3, 0), np.float32)
        )

    @functools.cached_property
    def shadows(self) -> ShadowMap:
        """Of all things but the posts, which move."""
        return _shadow_map(self._still, self.room_m, self.sun)

    def places(self, scene: Scene, x: float, y: float, yaw: float) -> tuple[np.ndarray, np.ndarray]:
        """Where the things of a scene with this stage are, body axes, m."""
        cos, sin = math.cos(yaw), math.sin(yaw)
        east, north = self.x - x, self.y - y
        for i in self.posts:
            post = scene.things[self.order[i]]
            east[i], north[i] = post.x_m - x, post.y_m - y
        return cos * east + sin * north, cos * north - sin * east


@functools.lru_cache(maxsize=KEPT)
def _stage(things, lighting: str, seed: int, floor, path_half_m: float, room_m, plants_m: float) -> Stage:
    decor = _decor(seed, floor, path_half_m, plants_m, lighting_named(lighting).outside)
    return Stage(things, room_m, decor, lighting_named(lighting))


def stage_of(scene: Scene) -> Stage:
    """The stage of a scene; those of the last few are kept."""
    return _stage(scene.stock, scene.lighting, scene.seed, scene.floor, scene.path_half_m, scene.room_m, scene.plants_m)
