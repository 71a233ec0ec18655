// From degrees to metres on a flat map of a region, and back.
//
// WGS 84 is laid on the sphere that touches it best at the region's middle (Gauss' conformal
// sphere), and the sphere is drawn azimuthally equidistant about the middle. So distances from the
// middle are right, others within some hundred kilometres to a few parts in ten thousand (tests
// hold them against geodesics), and neither the 180th meridian nor a pole is a special place.
// Source of the sphere: IOGP guidance note 7-2, Oblique Stereographic (the sphere's part of it);
// from memory. Azimuthal equidistant: Snyder, USGS Professional Paper 1395; from memory.

const A_M = 6378137; // WGS 84
const E2 = 6.69437999014e-3;
const E = Math.sqrt(E2);
const RADIANS = Math.PI / 180;
const HIGHEST_MIDDLE = 89; // the sphere has no middle at the pole itself
const ROUNDS = 6; // each makes the latitude some 100 times better

/** @param {{lat: number, lon: number}} middle degrees */
export function projectionAbout(middle) {
  const lat0 = Math.max(-HIGHEST_MIDDLE, Math.min(HIGHEST_MIDDLE, middle.lat)) * RADIANS;
  const sphere = gaussSphere(lat0);
  const chi0 = sphere.chi(lat0);
  const [sin0, cos0] = [Math.sin(chi0), Math.cos(chi0)];

  /** [chi, lambda] on the sphere to [east, north] in metres. */
  function flat(chi, lambda) {
    const east = Math.cos(chi) * Math.sin(lambda);
    const north = cos0 * Math.sin(chi) - sin0 * Math.cos(chi) * Math.cos(lambda);
    const up = sin0 * Math.sin(chi) + cos0 * Math.cos(chi) * Math.cos(lambda);
    const off = Math.hypot(east, north);
    const stretch = sphere.radius * (off > 0 ? Math.atan2(off, up) / off : 1);
    return [stretch * east, stretch * north];
  }

  function onSphere(lat, lon) {
    return [sphere.chi(lat * RADIANS), sphere.n * wrapped((lon - middle.lon) * RADIANS)];
  }

  /** Degrees to [metres east, metres north] of the middle. */
  function forward(lat, lon) {
    return flat(...onSphere(lat, lon));
  }

  /** [metres east, metres north] to [lat, lon] in degrees, lon from -180 to 180. */
  function inverse(x, y) {
    const off = Math.hypot(x, y);
    if (off === 0) return [lat0 / RADIANS, middle.lon];
    const c = off / sphere.radius;
    const chi = Math.asin(limited(Math.cos(c) * sin0 + (y * Math.sin(c) * cos0) / off));
    const lambda = Math.atan2(x * Math.sin(c), off * cos0 * Math.cos(c) - y * sin0 * Math.sin(c));
    const lon = wrapped(middle.lon * RADIANS + lambda / sphere.n) / RADIANS;
    return [sphere.latitude(chi) / RADIANS, lon];
  }

  /** The points [x, y] that lie `radius_m` on the ground from a place, clockwise from north. */
  function ring(lat, lon, radius_m, points = 72) {
    const [chi, lambda] = onSphere(lat, lon);
    const d = radius_m / sphere.radius;
    return Array.from({ length: points }, (_, k) => {
      const azimuth = (2 * Math.PI * k) / points;
      const to = Math.asin(
        limited(Math.sin(chi) * Math.cos(d) + Math.cos(chi) * Math.sin(d) * Math.cos(azimuth)),
      );
      const turn = Math.atan2(
        Math.sin(azimuth) * Math.sin(d) * Math.cos(chi),
        Math.cos(d) - Math.sin(chi) * Math.sin(to),
      );
      return flat(to, lambda + turn);
    });
  }

  return { middle, forward, inverse, ring };
}

/** The sphere: its radius in m, its longitudes' factor n, and latitudes there and back (radians). */
function gaussSphere(lat0) {
  const s2 = Math.sin(lat0) ** 2;
  const meridian = (A_M * (1 - E2)) / (1 - E2 * s2) ** 1.5;
  const across = A_M / Math.sqrt(1 - E2 * s2);
  const n = Math.sqrt(1 + (E2 * Math.cos(lat0) ** 4) / (1 - E2));
  const isometric = (lat) => Math.atanh(Math.sin(lat)) - E * Math.atanh(E * Math.sin(lat));
  const shift = Math.atanh(Math.sin(lat0) / n) - n * isometric(lat0);
  return {
    radius: Math.sqrt(meridian * across),
    n,
    chi: (lat) => Math.asin(Math.tanh(n * isometric(lat) + shift)),
    latitude(chi) {
      const q = (Math.atanh(Math.sin(chi)) - shift) / n;
      let sine = Math.tanh(q);
      for (let round = 0; round < ROUNDS; round += 1) {
        sine = Math.tanh(q + E * Math.atanh(E * sine));
      }
      return Math.asin(sine);
    },
  };
}

function wrapped(angle) {
  return angle - 2 * Math.PI * Math.round(angle / (2 * Math.PI));
}

function limited(value) {
  return Math.max(-1, Math.min(1, value));
}

/**
 * The middle of places [{lat, lon}]: of the box around them. Longitudes are taken round the globe
 * where the gap between them is widest, so places on both sides of the 180th meridian have their
 * middle between them.
 */
export function middleOf(places) {
  if (!places.length) return { lat: 0, lon: 0 };
  const lats = places.map((place) => place.lat);
  const lons = places.map((place) => place.lon).sort((a, b) => a - b);
  let [gap, first] = [lons[0] + 360 - lons.at(-1), 0];
  for (let k = 1; k < lons.length; k += 1) {
    if (lons[k] - lons[k - 1] > gap) [gap, first] = [lons[k] - lons[k - 1], k];
  }
  const lon = lons[first] + (360 - gap) / 2;
  return {
    lat: (Math.min(...lats) + Math.max(...lats)) / 2,
    lon: wrapped(lon * RADIANS) / RADIANS,
  };
}
