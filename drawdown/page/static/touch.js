// The photo to be tapped: strips by a tap or a box, the card by its four corners.
"use strict";
const form = document.getElementById("touch");
const photo = document.getElementById("photo");
const marks = document.getElementById("marks");
const corners = document.getElementById("corners");
const cross = document.getElementById("cross");
const glass = document.getElementById("glass");
const told = document.getElementById("told");
const NAMES = {
  original: "the original’s strip", batch: "the batch’s strip",
  original_paper: "bare paper beside the original", batch_paper: "bare paper beside the batch",
};
const [WIDE, HIGH] = photo.getAttribute("viewBox").split(" ").slice(2).map(Number);
let start = null, held = null, at = [WIDE / 2, HIGH / 2], moved = false;

const mode = () => form.mode.value;
const unit = () => WIDE / photo.getBoundingClientRect().width; // photo px to one px of the screen

function scale() {
  photo.style.setProperty("--unit", `${unit()}px`);
}

function svg(name, attributes) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

function where(event) {
  const box = photo.getBoundingClientRect();
  const x = (event.clientX - box.left) * WIDE / box.width;
  const y = (event.clientY - box.top) * HIGH / box.height;
  return [Math.min(WIDE, Math.max(0, x)), Math.min(HIGH, Math.max(0, y))];
}

function look(x, y) {
  const reach = 45 * unit() / 2;
  glass.toggleAttribute("hidden", false);
  glass.setAttribute("viewBox", `${x - reach} ${y - reach} ${2 * reach} ${2 * reach}`);
  glass.classList.toggle("right", x < WIDE / 2);
  glass.lastElementChild.setAttribute("d", `M${x - reach} ${y}H${x + reach}M${x} ${y - reach}V${y + reach}`);
}

function mark(role, shape) {
  marks.querySelector(`[data-role=${role}]`)?.remove();
  const group = svg("g", { "data-role": role });
  const [x, y, w, h] = shape;
  const r = 14 * unit();
  if (shape.length === 4) group.append(svg("rect", { x, y, width: w, height: h }));
  else group.append(svg("circle", { cx: x, cy: y, r }));
  const text = svg("text", { x: x + r, y: y - r });
  text.textContent = role.startsWith("original") ? "original" : "batch";
  if (role.endsWith("paper")) text.textContent += ", paper";
  group.append(text);
  marks.append(group);
}

function place(shape) {
  const role = mode();
  if (role === "corners") return;
  form[`${role}_at`].value = shape.map((v) => v.toFixed(1)).join(",");
  mark(role, shape);
  const next = { original: "batch", original_paper: "batch_paper" }[role];
  if (next && !form[`${next}_at`].value) form.mode.value = next;
  say(`${NAMES[role]} is marked.`);
}

function say(before = "") {
  const role = mode();
  const after = role === "corners"
    ? "Drag each corner of the card to its place, clockwise from its upper left."
    : `Tap ${NAMES[role]}, or draw a box over the whole of it.`;
  told.textContent = (before ? before.charAt(0).toUpperCase() + before.slice(1) + " " : "") + after;
  corners.toggleAttribute("hidden", role !== "corners");
  if (role === "corners") drawCorners();
}

function drawCorners() {
  const circles = Array.from(corners.querySelectorAll("circle"));
  for (const circle of circles) circle.setAttribute("r", 16 * unit());
  const points = circles.map((c) => [Number(c.getAttribute("cx")), Number(c.getAttribute("cy"))]);
  corners.firstElementChild.setAttribute("points", points.map((p) => p.join(",")).join(" "));
  return points;
}

function moveCorner(circle, [x, y]) {
  circle.setAttribute("cx", x);
  circle.setAttribute("cy", y);
  form.corners.value = drawCorners().map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ");
}

photo.addEventListener("pointerdown", (event) => {
  event.preventDefault();
  photo.setPointerCapture(event.pointerId);
  start = where(event);
  moved = false;
  if (mode() === "corners") {
    const circles = Array.from(corners.querySelectorAll("circle"));
    const far = (c) => Math.hypot(c.getAttribute("cx") - start[0], c.getAttribute("cy") - start[1]);
    held = circles.reduce((a, b) => (far(a) <= far(b) ? a : b));
    held = far(held) < 60 * unit() ? held : null;
    if (held) look(...start);
  }
});
photo.addEventListener("pointermove", (event) => {
  if (!start) return;
  const [x, y] = where(event);
  moved ||= Math.hypot(x - start[0], y - start[1]) > 12 * unit();
  if (held) {
    moveCorner(held, [x, y]);
    look(x, y);
  } else if (moved && mode() !== "corners") mark(mode(), box(start, [x, y]));
});
photo.addEventListener("pointerup", (event) => {
  if (!start) return;
  const end = where(event);
  if (held) moveCorner(held, end);
  else place(moved ? box(start, end) : start);
  start = held = null;
  glass.toggleAttribute("hidden", true);
});
photo.addEventListener("pointercancel", () => {
  start = held = null;
  glass.toggleAttribute("hidden", true);
});

function box([x0, y0], [x1, y1]) {
  return [Math.min(x0, x1), Math.min(y0, y1), Math.abs(x1 - x0), Math.abs(y1 - y0)];
}

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
photo.addEventListener("keydown", (event) => {
  const corner = event.target.closest?.("circle");
  const step = STEPS[event.key];
  const size = (event.shiftKey ? 1 : 8) * unit();
  if (step) {
    event.preventDefault();
    if (corner) {
      const to = [Number(corner.getAttribute("cx")) + size * step[0], Number(corner.getAttribute("cy")) + size * step[1]];
      moveCorner(corner, to);
      look(...to);
      return;
    }
    at = [Math.min(WIDE, Math.max(0, at[0] + size * step[0])), Math.min(HIGH, Math.max(0, at[1] + size * step[1]))];
    cross.toggleAttribute("hidden", false);
    cross.setAttribute("transform", `translate(${at[0]} ${at[1]}) scale(${unit()})`);
    look(...at);
  } else if (event.key === "Enter" && !corner && mode() !== "corners") {
    event.preventDefault();
    place(at);
  }
});
photo.addEventListener("focusout", () => glass.toggleAttribute("hidden", true));
addEventListener("resize", scale);
scale();
for (const radio of form.mode) radio.addEventListener("change", () => say());
