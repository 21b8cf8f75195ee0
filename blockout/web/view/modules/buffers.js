// Meshes and lines as the server packs them; the layout is described in buffers.py.
const HEADER = 64;

function header(buffer, mark) {
  const view = new DataView(buffer);
  const found = String.fromCharCode(...new Uint8Array(buffer, 0, 4));
  if (found !== mark || view.getUint32(4, true) !== 1) {
    throw new Error(`not what was asked for: ${found}`);
  }
  return view;
}

export function readMesh(buffer) {
  const view = header(buffer, "BLKM");
  const [vertices, faces, scanned, coarse, coarseScanned] = [8, 12, 16, 20, 56].map((at) => view.getUint32(at, true));
  const positions = new Float32Array(buffer, HEADER, 3 * vertices);
  const shade = new Int16Array(buffer, HEADER + 12 * vertices, 4 * vertices);
  const corners = new Uint32Array(buffer, HEADER + 20 * vertices, 3 * (faces + coarse));
  return {
    vertices,
    faces,
    scanned,
    coarse,
    coarseScanned,
    origin: [24, 32, 40].map((at) => view.getFloat64(at, true)),
    radius: view.getFloat64(48, true),
    positions,
    shade,
    corners,
  };
}

/** Polylines as lists of points in file coordinates. */
export function readLines(buffer) {
  const view = header(buffer, "BLKL");
  const [lines, total] = [8, 12].map((at) => view.getUint32(at, true));
  const origin = [24, 32, 40].map((at) => view.getFloat64(at, true));
  const counts = new Uint32Array(buffer, HEADER, lines);
  const flat = new Float32Array(buffer, HEADER + 4 * lines, 3 * total);
  const read = [];
  let at = 0;
  for (const count of counts) {
    const length = count & 0x7fffffff;
    const points = [];
    for (let k = at; k < at + length; k++) {
      points.push([0, 1, 2].map((axis) => flat[3 * k + axis] + origin[axis]));
    }
    read.push({ points, closed: count > 0x7fffffff });
    at += length;
  }
  return read;
}
