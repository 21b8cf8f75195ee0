// The 3-D view of a cast. No framework in here: three.js is handed in by whoever makes the view.
export { createView } from "./view.js";
export { directionOfTilts, tiltsOfDirection } from "./tilt.js";
export { readMesh, readLines } from "./buffers.js";
export { LatestWins } from "./asking.js";
