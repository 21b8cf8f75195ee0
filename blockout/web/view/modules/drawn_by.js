// Can this browser draw, and does it draw in software?
export function drawnBy(document) {
  const canvas = document.createElement("canvas");
  const gl = canvas.getContext("webgl2");
  if (!gl) return null;
  const info = gl.getExtension("WEBGL_debug_renderer_info");
  const name = String(gl.getParameter(info ? info.UNMASKED_RENDERER_WEBGL : gl.RENDERER));
  gl.getExtension("WEBGL_lose_context")?.loseContext();
  return { name, software: /swiftshader|llvmpipe|softpipe|software|basic render/i.test(name) };
}

/** Without WebGL: words, and pictures made by the server. */
export function showStill(element, pictures, label) {
  element.querySelector(".still")?.remove();
  const still = document.createElement("div");
  still.className = "still";
  still.tabIndex = 0;
  still.setAttribute("role", "region");
  still.setAttribute("aria-label", label);
  const words = document.createElement("p");
  words.setAttribute("role", "status");
  words.textContent =
    "This browser cannot draw in three dimensions (WebGL is off or missing), so the cast cannot be " +
    "turned here. " +
    (pictures.length
      ? "These pictures were made on the server; tilts, numbers and building work as usual."
      : "Tilts, numbers and building work as usual.");
  still.append(words);
  for (const { url, text } of pictures) {
    const figure = document.createElement("figure");
    const image = document.createElement("img");
    image.src = url;
    image.alt = text;
    const caption = document.createElement("figcaption");
    caption.textContent = text;
    figure.append(image, caption);
    still.append(figure);
  }
  element.append(still);
}
