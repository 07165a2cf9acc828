// Zooms all faces together, and moves the slider between two laid over one
// another. Everything else on the page works without it.
"use strict";

const faces = [...document.querySelectorAll("#faces .face")];
const whole = faces.map(f => f.viewBox.baseVal.width);
let zoom = 1, x = 0.5, y = 0.5; // how much nearer, and the middle as a share of the window

const draw = () => {
  const half = 0.5 / zoom;
  x = Math.min(1 - half, Math.max(half, x));
  y = Math.min(1 - half, Math.max(half, y));
  faces.forEach((f, i) => {
    const w = whole[i];
    f.setAttribute("viewBox", `${(x - half) * w} ${(y - half) * w} ${w / zoom} ${w / zoom}`);
  });
  document.getElementById("zoomed").textContent = zoom === 1 ? "" : `${zoom.toFixed(1)} times`;
};
const moves = {
  in: () => { zoom = Math.min(8, zoom * 1.25); },
  out: () => { zoom = Math.max(1, zoom / 1.25); },
  left: () => { x -= 0.1 / zoom; },
  right: () => { x += 0.1 / zoom; },
  up: () => { y -= 0.1 / zoom; },
  down: () => { y += 0.1 / zoom; },
  whole: () => { zoom = 1; x = y = 0.5; },
};
const bar = document.querySelector(".zoom");
if (bar && faces.length) {
  bar.hidden = false;
  bar.addEventListener("click", e => {
    const move = e.target.closest("[data-zoom]");
    if (!move) return;
    moves[move.dataset.zoom]();
    draw();
  });
  // Dragging one face moves all.
  let from = null;
  for (const f of faces) {
    f.addEventListener("pointerdown", e => {
      if (zoom === 1) return;
      from = {x: e.clientX, y: e.clientY, w: f.getBoundingClientRect().width};
      f.setPointerCapture(e.pointerId);
    });
    f.addEventListener("pointermove", e => {
      if (!from) return;
      x -= (e.clientX - from.x) / from.w / zoom;
      y -= (e.clientY - from.y) / from.w / zoom;
      from.x = e.clientX;
      from.y = e.clientY;
      draw();
    });
    for (const end of ["pointerup", "pointercancel"]) f.addEventListener(end, () => { from = null; });
  }
}

const slider = document.getElementById("wipe-at");
if (slider) {
  const picture = document.querySelector(".wiped");
  slider.hidden = false;
  const wipe = () => {
    document.getElementById("wipe-rect").setAttribute("x", picture.viewBox.baseVal.width * slider.value / 100);
    for (const end of ["x1", "x2"]) document.getElementById("wipe-line").setAttribute(end, `${slider.value}%`);
  };
  slider.addEventListener("input", wipe);
  const drag = e => {
    const box = picture.getBoundingClientRect();
    slider.value = Math.round(100 * (e.clientX - box.left) / box.width);
    wipe();
  };
  picture.addEventListener("pointerdown", e => { picture.setPointerCapture(e.pointerId); drag(e); });
  picture.addEventListener("pointermove", e => { if (e.buttons) drag(e); });
  wipe();
}
