// Tilts and directions, as the surveying room of the Python package defines them: in the cast frame
// the direction of removal runs along (-s tan(lateral), -tan(anterior), 1), s = 1 for a lower cast
// and -1 for an upper one. `frame` is the 4 x 4 from the cast frame to the file, row by row.

const RADIANS = Math.PI / 180;

export function unit(v) {
  const length = Math.hypot(v[0], v[1], v[2]);
  return [v[0] / length, v[1] / length, v[2] / length];
}

export function dot(a, b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

export function cross(a, b) {
  return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
}

/** An axis of the cast frame in file coordinates: 0 is +x, 1 the front, 2 the occlusal side. */
export function frameAxis(frame, number) {
  return [frame[number], frame[4 + number], frame[8 + number]];
}

const sideOf = (arch) => (arch === "lower" ? 1 : -1);

export function directionOfTilts(frame, arch, anteriorDeg, lateralDeg) {
  const x = -sideOf(arch) * Math.tan(lateralDeg * RADIANS);
  const y = -Math.tan(anteriorDeg * RADIANS);
  const [a, b, c] = unit([x, y, 1]);
  return unit([0, 1, 2].map((k) => frame[4 * k] * a + frame[4 * k + 1] * b + frame[4 * k + 2] * c));
}

export function tiltsOfDirection(frame, arch, direction) {
  const [x, y, z] = [0, 1, 2].map((k) => dot(frameAxis(frame, k), direction));
  return [
    Math.atan2(-y, z) / RADIANS + 0,
    Math.atan2(-sideOf(arch) * x, z) / RADIANS + 0,
  ];
}

/** The direction, or the one nearest to it that is no further than `mostDeg` from the occlusal
 * plane's normal. */
export function withinTilt(frame, direction, mostDeg) {
  const up = frameAxis(frame, 2);
  const along = dot(up, direction);
  const across = direction.map((v, k) => v - along * up[k]);
  const length = Math.hypot(...across);
  const most = mostDeg * RADIANS;
  if (Math.atan2(length, along) <= most) return direction;
  if (length < 1e-9) return up;
  return unit(up.map((v, k) => Math.cos(most) * v + (Math.sin(most) * across[k]) / length));
}
