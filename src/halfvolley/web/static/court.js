// The table from above with bounces, each in its 95 % ellipse, and the ball now.
import { fit } from "/static/film.js";

const LENGTH = 2.74;
const WIDTH = 1.525;
const BEHIND = 0.5; // shown behind the end lines [m]
const BESIDE = 0.3;

function view(canvas) {
  const scale = Math.min(canvas.width / (LENGTH + 2 * BEHIND), canvas.height / (WIDTH + 2 * BESIDE));
  return { scale, x: canvas.width / 2, y: canvas.height / 2 };
}

export function drawCourt(canvas, contacts, chosen, ball, flights) {
  const ratio = fit(canvas);
  const g = canvas.getContext("2d");
  const colour = halfvolley.colour;
  const at = view(canvas);
  g.setTransform(1, 0, 0, 1, 0, 0);
  g.clearRect(0, 0, canvas.width, canvas.height);
  g.setTransform(at.scale, 0, 0, -at.scale, at.x, at.y); // y up, in metres
  const px = ratio / at.scale;
  g.fillStyle = colour("sunk");
  g.fillRect(-LENGTH / 2, -WIDTH / 2, LENGTH, WIDTH);
  g.strokeStyle = colour("soft");
  g.lineWidth = px;
  g.strokeRect(-LENGTH / 2, -WIDTH / 2, LENGTH, WIDTH);
  g.strokeStyle = colour("hair");
  line(g, -LENGTH / 2, 0, LENGTH / 2, 0);
  g.strokeStyle = colour("ink");
  g.lineWidth = 2 * px;
  line(g, 0, -WIDTH / 2 - 0.1525, 0, WIDTH / 2 + 0.1525);
  g.strokeStyle = colour("soft");
  g.lineWidth = 1.2 * px;
  for (const f of flights) {
    g.beginPath();
    f.xyz.forEach(([x, y], k) => (k ? g.lineTo(x, y) : g.moveTo(x, y)));
    g.stroke();
  }
  for (const c of contacts) if (c.kind === "table") bounce(g, c, px, c.id === chosen);
  if (ball) drawBall(g, ball, px, canvas, at.scale);
  g.setTransform(1, 0, 0, 1, 0, 0);
  g.font = `700 ${15 * ratio}px system-ui, sans-serif`;
  g.textAlign = "center";
  g.textBaseline = "middle";
  for (const [end, x] of [["A", -1], ["B", 1]]) {
    g.fillStyle = colour(`end-${end.toLowerCase()}`);
    g.fillText(end, at.x + x * (LENGTH / 2 + 0.2) * at.scale, at.y);
  }
}

// filled where the map reaches; else a ring at its rim
function drawBall(g, [x, y], px, canvas, scale) {
  const r = 5 * px;
  const within = (v, n) => Math.max(-n / 2 / scale + 1.5 * r, Math.min(n / 2 / scale - 1.5 * r, v));
  const [u, v] = [within(x, canvas.width), within(y, canvas.height)];
  g.fillStyle = g.strokeStyle = halfvolley.colour("ink");
  g.lineWidth = 2 * px;
  g.beginPath();
  g.arc(u, v, r, 0, 2 * Math.PI);
  if (u === x && v === y) g.fill();
  else g.stroke();
}

function line(g, x0, y0, x1, y1) {
  g.beginPath();
  g.moveTo(x0, y0);
  g.lineTo(x1, y1);
  g.stroke();
}

function bounce(g, c, px, chosen) {
  const colour = halfvolley.colour(c.player ? `end-${c.player.toLowerCase()}` : "nobody");
  const [long, short, angle] = c.ellipse;
  const [x, y] = c.xyz;
  g.globalAlpha = 0.6;
  g.fillStyle = colour;
  g.beginPath();
  g.ellipse(x, y, long, short, angle, 0, 2 * Math.PI);
  g.fill();
  g.globalAlpha = 1;
  g.strokeStyle = colour;
  g.lineWidth = 1.4 * px;
  shape(g, c.player, x, y, 5 * px);
  if (!chosen) return;
  g.strokeStyle = halfvolley.colour("ink");
  g.lineWidth = 2 * px;
  g.beginPath();
  g.arc(x, y, 11 * px, 0, 2 * Math.PI);
  g.stroke();
}

// circle for A, diamond for B: colour is not the only sign
function shape(g, player, x, y, r) {
  g.beginPath();
  if (player === "B") {
    g.moveTo(x + 1.2 * r, y);
    g.lineTo(x, y + 1.2 * r);
    g.lineTo(x - 1.2 * r, y);
    g.lineTo(x, y - 1.2 * r);
    g.closePath();
  } else g.arc(x, y, r, 0, 2 * Math.PI);
  g.stroke();
}

// the bounce under a place of the page, or null
export function bounceAt(canvas, event, contacts) {
  const box = canvas.getBoundingClientRect();
  const ratio = canvas.width / box.width;
  const at = view(canvas);
  let best = null;
  let least = 16;
  for (const c of contacts) {
    if (c.kind !== "table") continue;
    const x = (at.x + c.xyz[0] * at.scale) / ratio;
    const y = (at.y - c.xyz[1] * at.scale) / ratio;
    const far = Math.hypot(event.clientX - box.left - x, event.clientY - box.top - y);
    if (far < least) [least, best] = [far, c];
  }
  return best;
}
