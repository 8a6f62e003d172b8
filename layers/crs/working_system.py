"""Reference systems: choose a fit one, refuse an unfit one, move positions, measure ground."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from functools import lru_cache
from threading import get_ident
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from layers.errors import ReferenceSystemError

LARGEST_DISTORTION: Final = 1e-3  # of either Tissot axis, over the county
COARSE_SHIFT_M: Final = 5.0  # a datum shift worse than this is reported
WGS84: Final = CRS.from_epsg(4326)
LonLatBounds = tuple[float, float, float, float]


def choose_working_system(bounds: LonLatBounds, wanted: str | None = None) -> CRS:
    """The system all measuring is done in: the one wanted if it is fit, else a fit one.

    Fit means: projected, in meters, and neither semi-axis of the Tissot indicatrix departs from
    1 by more than 1:1,000 over the county (Snyder, "Map Projections: A Working Manual", USGS
    Professional Paper 1395, 1987, p. 20 to 26, as PROJ computes it). With none wanted: the UTM
    zone (WGS 84) of the county's middle, else a transverse Mercator centered on it.

    Parameters
    ----------
    bounds
        (west, south, east, north) of the county in degrees.
    wanted
        What `county.crs` says, or None.

    Raises
    ------
    ReferenceSystemError
        When the system wanted is unknown or unfit, or the county is too wide for any.
    """
    if wanted is not None:
        crs = parse_crs(wanted, where="county.crs")
        _refuse_unfit(crs, bounds, wanted)
        return crs
    lon, lat = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    for crs in (_utm(lon, lat), _centered(lon, lat)):
        if distortion(crs, bounds) <= LARGEST_DISTORTION:
            return crs
    raise ReferenceSystemError(
        "the units are too far apart for one coordinate system: longitude"
        f" {bounds[0]:.2f} to {bounds[2]:.2f}, latitude {bounds[1]:.2f} to {bounds[3]:.2f}",
        where="positions of the units",
        hint="correct positions that are far away; or split the list; or set county.crs",
    )


def parse_crs(text: str, *, where: str) -> CRS:
    """A reference system from its code or description.

    Raises
    ------
    ReferenceSystemError
        When it is not known.
    """
    try:
        return CRS.from_user_input(text)
    except CRSError as error:
        raise ReferenceSystemError(
            f"coordinate system {text!r} is not known",
            where=where,
            hint='use an EPSG code, such as "EPSG:32616"',
        ) from error


def area_of(wanted: str | None) -> LonLatBounds | None:
    """Where the system a county asks for is meant to be used; None where nothing says."""
    area = None if wanted is None else parse_crs(wanted, where="county.crs").area_of_use
    return None if area is None else area.bounds


def distortion(crs: CRS, bounds: LonLatBounds) -> float:
    """The largest departure from 1 of either Tissot semi-axis over the bounds (degrees)."""
    west, south, east, north = bounds
    lon, lat = np.meshgrid(np.linspace(west, east, 9), np.linspace(south, north, 9))
    factors = Proj(crs).get_factors(lon.ravel(), lat.ravel())
    axes = np.concatenate([factors.tissot_semimajor, factors.tissot_semiminor])
    departure = np.abs(axes - 1)
    return float("inf") if not np.isfinite(departure).all() else float(departure.max())


def _refuse_unfit(crs: CRS, bounds: LonLatBounds, wanted: str) -> None:
    hint = "remove county.crs; a suitable system is then chosen and reported"
    if not crs.is_projected:
        raise ReferenceSystemError(
            f"{wanted} ({crs.name}) is not a projected system, so lengths cannot be measured in it",
            where="county.crs",
            hint=hint,
        )
    units = {axis.unit_name for axis in crs.axis_info[:2]}
    if units != {"metre"}:
        raise ReferenceSystemError(
            f"{wanted} ({crs.name}) is in {', '.join(sorted(units))}, not in meters",
            where="county.crs",
            hint=hint,
        )
    worst = distortion(crs, bounds)
    if worst > LARGEST_DISTORTION:
        raise ReferenceSystemError(
            f"{wanted} ({crs.name}) stretches lengths by up to {worst * 100:.3g}% in this"
            " county; at most 0.1% is allowed",
            where="county.crs",
            hint=hint,
        )


def _utm(lon: float, lat: float) -> CRS:
    zone = int(np.clip(np.floor((lon + 180) / 6) + 1, 1, 60))
    return CRS.from_epsg((32600 if lat >= 0 else 32700) + zone)


def _centered(lon: float, lat: float) -> CRS:
    conversion = TransverseMercatorConversion(
        latitude_natural_origin=round(lat, 2),
        longitude_natural_origin=round(lon, 2),
        false_easting=500_000,
        false_northing=500_000,
        scale_factor_natural_origin=1.0,
    )
    name = "Transverse Mercator centered on the county"
    made = ProjectedCRS(conversion, name, geodetic_crs=WGS84)
    return CRS.from_wkt(made.to_wkt())  # a plain one: pyproj's subclass cannot make itself 2D


def describe(crs: CRS) -> str:
    """The code of a system, or its name when it has none."""
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else crs.name


def code_and_name(crs: CRS) -> str:
    """A system as "EPSG:32616 (WGS 84 / UTM zone 16N)"; its name alone when it has no code."""
    code = describe(crs)
    return code if code == crs.name else f"{code} ({crs.name})"


# -------------------------------------------------------------------------------------- transform


class Mover:
    """Moves positions from one system to another by the best operation that is exact enough.

    Attributes
    ----------
    accuracy_m
        What the operation promises; None when it promises nothing.
    is_coarse
        Whether the shift between datums may be worse than 5 m, or promises nothing. (NAD83 taken
        as WGS 84 promises 4 m and is not.)

    Parameters
    ----------
    allow_coarse
        Go by way of WGS 84 where there is no direct way, and add the two ways' accuracies.

    Raises
    ------
    ReferenceSystemError
        When only a ballpark shift between two known datums is to be had.
    """

    def __init__(
        self,
        source: CRS,
        target: CRS,
        *,
        near: LonLatBounds | None = None,
        allow_coarse: bool = False,
    ) -> None:
        source, target = source.to_2d(), target.to_2d()
        self._ways: list[Any] = []
        if best := _best_way(source, target, near):
            self._ways = [best]
            # a projection alone is exact, whatever accuracy the library states for it
            same_datum = _datum(source) == _datum(target)
            known = best.accuracy if best.accuracy >= 0 else None
            self.accuracy_m = 0.0 if same_datum else known
            self.is_coarse = self.accuracy_m is None or self.accuracy_m > COARSE_SHIFT_M
        elif _is_unnamed_modern(source) or _is_unnamed_modern(target):
            # an unnamed datum on the ellipsoid of GRS 80 or WGS 84 is within 2 m of either
            self._ways = [Transformer.from_crs(source, target, always_xy=True)]
            self.accuracy_m = None
            self.is_coarse = _datum(source) != _datum(target)
        else:
            there, back = _best_way(source, WGS84, near), _best_way(WGS84, target, near)
            if not allow_coarse or there is None or back is None:
                raise too_coarse(source, target, None)
            self._ways = [there, back]
            self.accuracy_m = max(there.accuracy, 0.0) + max(back.accuracy, 0.0)
            self.is_coarse = True

    def __call__(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Positions in the target system; NaN where one cannot be moved."""
        x2, y2 = x, y
        try:
            for way in self._ways:
                x2, y2 = way.transform(x2, y2)
        except ProjError:
            return np.full_like(x, np.nan), np.full_like(y, np.nan)
        moved = np.isfinite(x2) & np.isfinite(y2)
        return np.where(moved, x2, np.nan), np.where(moved, y2, np.nan)

    def shapes(self, shapes: NDArray[np.object_]) -> NDArray[np.object_]:
        """Shapes in the target system; a vertex that cannot be moved becomes NaN."""

        def move(coordinates: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.column_stack(self(coordinates[:, 0], coordinates[:, 1]))

        return shapely.transform(shapes, move)


def _best_way(source: CRS, target: CRS, near: LonLatBounds | None) -> Any:
    """The most accurate operation that is more than a ballpark one, or None."""
    area: Any = AreaOfInterest(*near) if near is not None else None
    with warnings.catch_warnings():  # of missing grids; the accuracy left is what counts
        warnings.simplefilter("ignore", UserWarning)
        group = TransformerGroup(
            source, target, always_xy=True, area_of_interest=area, allow_ballpark=False
        )
    return group.transformers[0] if group.transformers else None


def too_coarse(source: CRS, target: CRS, accuracy_m: float | None) -> ReferenceSystemError:
    """The error for positions that cannot be brought over a change of datum closely enough."""
    off = f"accurate only to {accuracy_m:g} m" if accuracy_m else "of unknown accuracy"
    return ReferenceSystemError(
        f"the shift grid from {source.name} to {target.name} is missing; without it, positions"
        f" are {off}",
        where="the layer's coordinate system",
        hint="convert the layer to NAD83 or WGS 84 in a map program that has the grid; or set"
        " allow_coarse_shift = true for the layer",
    )


def _datum(crs: CRS) -> Any:
    geodetic = crs.geodetic_crs
    return None if geodetic is None else (geodetic.datum or geodetic).to_json_dict().get("name")


def _is_unnamed_modern(crs: CRS) -> bool:
    name = str(_datum(crs)).lower()
    is_modern = abs(crs.ellipsoid.semi_major_metre - 6_378_137) < 1e-3 if crs.ellipsoid else False
    return is_modern and name.startswith(("unknown", "unnamed", "not specified", "d_unknown"))


def looks_like_degrees(bounds: Sequence[float]) -> bool:
    """Whether (west, south, east, north) could all be longitudes and latitudes."""
    west, south, east, north = bounds
    return bool(-180 <= west <= east <= 180 and -180 <= south <= north <= 180)


# ------------------------------------------------------------------------------ lengths, bearings


def _geodetic(
    x: ArrayLike, y: ArrayLike, crs: CRS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return _to_degrees(crs, get_ident())(np.asarray(x, float), np.asarray(y, float))


@lru_cache(maxsize=32)  # finding the way takes longer than going it
def _to_degrees(crs: CRS, thread: int) -> Mover:  # noqa: ARG001  one a thread: PROJ's are not shared
    """From a system to the longitude and latitude of its own datum."""
    geographic = crs.to_2d().geodetic_crs
    if geographic is None:
        raise ReferenceSystemError(
            f"{crs.name} has no place on the earth", where="ground length", hint="use another"
        )
    return Mover(crs, geographic)


def ellipsoid(crs: CRS) -> Geod:
    """The ellipsoid of a system, for geodesics.

    Raises
    ------
    ReferenceSystemError
        When the system has none.
    """
    if crs.ellipsoid is None:
        raise ReferenceSystemError(
            f"{crs.name} has no ellipsoid", where="ground length", hint="use another system"
        )
    return Geod(a=crs.ellipsoid.semi_major_metre, b=crs.ellipsoid.semi_minor_metre)


def length_and_bearing(
    x1: ArrayLike, y1: ArrayLike, x2: ArrayLike, y2: ArrayLike, crs: CRS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ellipsoidal lengths in meters and true bearings, as `ground_length_m` and `bearing_deg`."""
    x1, y1, x2, y2 = np.broadcast_arrays(x1, y1, x2, y2)
    lon1, lat1 = _geodetic(x1, y1, crs)
    lon2, lat2 = _geodetic(x2, y2, crs)
    azimuth, _, length = ellipsoid(crs).inv(lon1, lat1, lon2, lat2)
    known = np.isfinite(lon1 + lat1 + lon2 + lat2)
    length = np.where(known, length, np.nan)
    return length, np.where(length > 0, np.mod(azimuth, 360.0), np.nan)


def ground_length_m(
    x1: ArrayLike, y1: ArrayLike, x2: ArrayLike, y2: ArrayLike, crs: CRS
) -> NDArray[np.float64]:
    """Ellipsoidal lengths in meters between positions in a system; NaN where one is NaN.

    The geodesic on the system's own ellipsoid (Karney, "Algorithms for geodesics", J. Geodesy 87,
    2013, 43 to 55, in PROJ); at height h the ground is longer by h / 6,371 km.
    """
    return length_and_bearing(x1, y1, x2, y2, crs)[0]


def bearing_deg(
    x1: ArrayLike, y1: ArrayLike, x2: ArrayLike, y2: ArrayLike, crs: CRS
) -> NDArray[np.float64]:
    """True bearings from the first to the second position, degrees clockwise from north.

    NaN where a position is NaN or both are the same.
    """
    return length_and_bearing(x1, y1, x2, y2, crs)[1]


def line_length_m(lines: NDArray[np.object_], crs: CRS) -> NDArray[np.float64]:
    """Ellipsoidal lengths of lines in a system: in the plane, times the scale between their ends.

    The scale hardly changes along one line of a county (see `LARGEST_DISTORTION`); a line that
    ends where it begins keeps its length in the plane.
    """
    plane = shapely.length(lines)
    x1, y1 = shapely.get_coordinates(shapely.get_point(lines, 0)).T
    x2, y2 = shapely.get_coordinates(shapely.get_point(lines, -1)).T
    chord = np.hypot(x2 - x1, y2 - y1)
    ground = ground_length_m(x1, y1, x2, y2, crs)
    return plane * np.where(chord > 0, ground / np.where(chord > 0, chord, 1.0), 1.0)
