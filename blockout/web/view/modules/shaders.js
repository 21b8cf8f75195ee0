// Materials. Colours are worked out as they show on a screen (sRGB) and written as they are.

const LAMPS = /* glsl */ `
// a lamp from the upper left, a weak one from the right, and the room's light; a screen's brightness
// grows about as the square of the value, so light enters as its root
float lamps(vec3 n) {
  float key = max(dot(n, vec3(-0.5013, 0.6216, 0.6016)), 0.0);
  float fill = max(dot(n, vec3(0.7518, 0.1002, 0.6516)), 0.0);
  return sqrt(0.37 + 0.08 * n.y + 0.54 * key + 0.16 * fill);
}
`;

const BODY_VERTEX = /* glsl */ `
attribute vec4 shade;
attribute float level;
uniform sampler2D ramp;
uniform int coloured;
varying vec3 vAt;
varying vec3 vNormal;
varying float vHollow;
varying float vLevel;
varying vec4 vPaint;

void main() {
  vec4 at = modelMatrix * vec4(position, 1.0);
  vAt = at.xyz;
  vNormal = shade.xyz;
  vHollow = shade.w;
  vLevel = level;
  // a signed map is mixed by how much of it is known, so that its border has no false colours
  vPaint = vec4(0.0);
  if (coloured == 2 && level > 0.001) {
    vPaint = vec4(texture2D(ramp, vec2((level * 255.0 - 1.0) / 254.0, 0.5)).rgb, 1.0);
  }
  gl_Position = projectionMatrix * viewMatrix * at;
}
`;

const BODY_FRAGMENT = /* glsl */ `
uniform vec3 colour;
uniform vec3 cutColour;
uniform float opacity;
uniform sampler2D ramp;
uniform int coloured;      // 0 one colour, 1 undercut depth, 2 a signed map
uniform float surveyed;    // this part of the mesh was scanned and is surveyed
uniform vec3 path;
uniform float fullMm;
uniform float lastMm;
uniform vec4 gauges;
uniform vec4 shows;        // undercut, hatch, gauge lines, survey line
uniform float stripeDeg;   // below -900: none
uniform vec4 section;
uniform float cut;
uniform vec2 creases;      // cosines between which a face is taken for flat
uniform float pixel;       // drawn pixels per pixel of the page
varying vec3 vAt;
varying vec3 vNormal;
varying float vHollow;
varying float vLevel;
varying vec4 vPaint;
${LAMPS}
float stripes(float angle, float period) {
  float turn = radians(angle);
  float across = dot(gl_FragCoord.xy, vec2(-sin(turn), cos(turn))) / pixel;
  return cos(6.2831853 * across / period);
}

float gaugeLine(float depth, float slope, float gauge) {
  if (gauge <= 0.0) return 0.0;
  return 1.0 - smoothstep(0.35, 1.05, abs(depth - gauge) / (slope * pixel));
}

void main() {
  if (cut > 0.5 && dot(section.xyz, vAt) > section.w) discard;
  if (cut > 0.5 && !gl_FrontFacing) {
    // the inside, painted flat, reads as the face of the cut
    float grain = 0.96 + 0.04 * stripes(45.0, 5.0);
    gl_FragColor = vec4(cutColour * grain, opacity);
    return;
  }
  vec3 flatNormal = normalize(cross(dFdx(vAt), dFdy(vAt)));
  vec3 smoothNormal = normalize(vNormal);
  if (!gl_FrontFacing) { flatNormal = -flatNormal; }
  // on creases the face's own normal holds
  float crease = smoothstep(creases.x, creases.y, dot(smoothNormal, flatNormal));
  vec3 normal = normalize(mix(flatNormal, smoothNormal, crease));
  vec3 base = colour;
  float ink = 0.0;
  vec3 inkColour = vec3(0.09, 0.10, 0.14);

  if (coloured == 2) {
    base = vPaint.a > 0.0 ? mix(colour, vPaint.rgb / vPaint.a, smoothstep(0.3, 0.7, vPaint.a)) : colour;
  }
  if (surveyed > 0.5) {
    float down = dot(normal, path);
    float slope = max(fwidth(down), 1e-5);
    float depth = coloured == 1 ? vLevel * fullMm : 0.0;
    float under = smoothstep(0.0, 1.5 * slope + 0.01, -down);
    under = max(under, smoothstep(0.004, 0.02, depth));
    float bend = max(fwidth(depth), 1e-4);
    vec3 tint = vec3(1.0);
    if (under > 0.0) {
      tint = texture2D(ramp, vec2(clamp(depth / lastMm, 0.0, 1.0), 0.5)).rgb;
      if (shows.y > 0.5) tint *= 0.88 + 0.12 * stripes(45.0, 7.0);
      base = mix(base, tint, under * shows.x);
    }
    if (depth > 0.0 && shows.z > 0.5) {
      float line = max(
        max(gaugeLine(depth, bend, gauges.x), gaugeLine(depth, bend, gauges.y)),
        max(gaugeLine(depth, bend, gauges.z), gaugeLine(depth, bend, gauges.w)));
      float light = dot(tint, vec3(0.2126, 0.7152, 0.0722));
      inkColour = mix(vec3(0.97), inkColour, smoothstep(0.30, 0.42, light));
      ink = 0.75 * line;
    }
    if (shows.w > 0.5) {
      // nothing is above the height of contour; deeper turns of the surface are no survey line
      float visible = 1.0 - smoothstep(0.03, 0.10, depth);
      float turn = (1.0 - smoothstep(0.9, 1.9, abs(down) / (max(slope, 0.006) * pixel))) * visible;
      inkColour = mix(inkColour, vec3(0.09, 0.10, 0.14), turn);
      ink = max(ink, turn);
    }
  }
  if (stripeDeg > -900.0) base *= 0.91 + 0.09 * stripes(stripeDeg, 7.0);
  vec3 seen = mat3(viewMatrix[0].xyz, viewMatrix[1].xyz, viewMatrix[2].xyz) * normal;
  if (!gl_FrontFacing) { seen = -seen; base *= 0.82; }
  float shadow = 1.0 - 0.30 * max(vHollow, 0.0) + 0.06 * max(-vHollow, 0.0);
  vec3 lit = min(base * lamps(seen) * shadow, vec3(1.0));
  gl_FragColor = vec4(mix(lit, inkColour, ink), opacity);
}
`;

export function bodyMaterial(THREE, shared, own, { surveyed }) {
  return new THREE.ShaderMaterial({
    vertexShader: BODY_VERTEX,
    fragmentShader: BODY_FRAGMENT,
    uniforms: {
      ...shared,
      ...own,
      surveyed: { value: surveyed ? 1 : 0 },
      // what was built has long flat walls beside sharp edges, what was scanned has neither
      creases: { value: surveyed ? new THREE.Vector2(0.74, 0.84) : new THREE.Vector2(0.94, 0.985) },
    },
    polygonOffset: true,
  });
}

export const SCREEN_LINE_VERTEX = /* glsl */ `
attribute vec3 from;
attribute vec3 to;
attribute vec2 along;      // mm run before this piece, and after it
uniform vec2 size;         // of the picture, drawn pixels
uniform float width;       // drawn pixels
uniform float lift;
varying vec2 vPixel;
varying vec2 vFrom;
varying vec2 vTo;
varying float vAlong;
varying vec3 vAt;

vec2 pixels(vec4 clip) { return (clip.xy / clip.w * 0.5 + 0.5) * size; }

void main() {
  vec4 a = projectionMatrix * viewMatrix * vec4(from, 1.0);
  vec4 b = projectionMatrix * viewMatrix * vec4(to, 1.0);
  vec2 start = pixels(a);
  vec2 end = pixels(b);
  vec2 way = end - start;
  float length_ = length(way);
  way = length_ > 1e-4 ? way / length_ : vec2(1.0, 0.0);
  vec2 across = vec2(-way.y, way.x);
  float half_ = 0.5 * width + 1.0;
  vec4 clip = position.x < 0.5 ? a : b;
  vec2 at = (position.x < 0.5 ? start - way * half_ : end + way * half_) + across * position.y * half_;
  vPixel = at;
  vFrom = start;
  vTo = end;
  vAlong = mix(along.x, along.y, position.x);
  vAt = mix(from, to, position.x);
  clip.xy = (at / size * 2.0 - 1.0) * clip.w;
  clip.z -= lift * clip.w;
  gl_Position = clip;
}
`;

export const SCREEN_LINE_FRAGMENT = /* glsl */ `
uniform vec3 colour;
uniform float strength;
uniform float width;
uniform float dashMm;
uniform vec4 section;
uniform float cut;
varying vec2 vPixel;
varying vec2 vFrom;
varying vec2 vTo;
varying float vAlong;
varying vec3 vAt;

void main() {
  if (cut > 0.5 && dot(section.xyz, vAt) > section.w + 0.02) discard;
  if (dashMm > 0.0 && mod(vAlong, 2.0 * dashMm) > dashMm) discard;
  vec2 way = vTo - vFrom;
  float t = clamp(dot(vPixel - vFrom, way) / max(dot(way, way), 1e-6), 0.0, 1.0);
  float off = distance(vPixel, vFrom + t * way);
  float cover = 1.0 - smoothstep(0.5 * width - 0.5, 0.5 * width + 0.5, off);
  if (cover < 0.02) discard;
  gl_FragColor = vec4(colour, cover * strength);
}
`;

export const KNOB_VERTEX = /* glsl */ `
varying vec3 vNormal;
void main() {
  vNormal = normalize(normalMatrix * normal);
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}
`;

export const KNOB_FRAGMENT = /* glsl */ `
uniform vec3 colour;
uniform float opacity;
varying vec3 vNormal;
${LAMPS}
void main() {
  gl_FragColor = vec4(colour * lamps(normalize(vNormal)), opacity);
}
`;

export const DOT_VERTEX = /* glsl */ `
attribute float state;
uniform float size;
uniform float lift;
varying float vState;
void main() {
  vState = state;
  vec4 clip = projectionMatrix * viewMatrix * vec4(position, 1.0);
  clip.z -= lift * clip.w;
  gl_Position = clip;
  gl_PointSize = size * (state > 0.5 ? 1.3 : 1.0);
}
`;

export const DOT_FRAGMENT = /* glsl */ `
uniform vec3 colour;
uniform vec3 chosen;
uniform float strength;
uniform float size;
varying float vState;
void main() {
  vec2 off = gl_PointCoord - 0.5;
  float r = length(off);
  if (r > 0.5) discard;
  float edge = 1.0 / size;
  float inside = 1.0 - smoothstep(0.34 - edge, 0.34 + edge, r);
  float disk = 1.0 - smoothstep(0.5 - edge, 0.5, r);
  vec3 ground = vState > 0.5 ? chosen : colour;
  gl_FragColor = vec4(mix(vec3(1.0), ground, inside), disk * strength);
}
`;
