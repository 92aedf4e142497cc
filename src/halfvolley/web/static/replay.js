// The table in space with flights and bounces, seen from wherever one likes.
import { fit } from "/static/film.js";

const HALF = [1.37, 0.7625];
const NET = [0.9150, 0.1525]; // half its length, its height [m]
const FLOOR = -0.76;
const RECENT_S = 0.7; // flights that ended longer ago are drawn faintly

// where a view stands: turned about the table, raised, and away from it [rad, rad, m]
export const START = { turn: -1.1, raise: 0.42, away: 5.2 };

export function turned(view, dx, dy) {
  return {
    turn: view.turn - dx,
    raise: Math.min(1.5, Math.max(0.02, view.raise + dy)),
    away: view.away,
  };
}

export function nearer(view, factor) {
  return { ...view, away: Math.min(14, Math.max(1.6, view.away * factor)) };
}

// from metres to the canvas; null behind the eye
function lens(canvas, view) {
  const [st, ct, sr, cr] = [Math.sin(view.turn), Math.cos(view.turn), Math.sin(view.raise), Math.cos(view.raise)];
  const focal = 1.25 * Math.min(canvas.width, canvas.height * 1.5);
  return ([x, y, z]) => {
    const right = -st * x + ct * y;
    const toward = ct * x + st * y;
    const up = cr * z - sr * toward;
    const depth = view.away - (cr * toward + sr * z);
    if (depth < 0.2) return null;
    return [canvas.width / 2 + (focal * right) / depth, canvas.height * 0.46 - (focal * up) / depth];
  };
}

export function drawReplay(canvas, view, flights, contacts, ball, now) {
  const ratio = fit(canvas);
  const g = canvas.getContext("2d");
  const colour = halfvolley.colour;
  const at = lens(canvas, view);
  const path = (points, close) => {
    g.beginPath();
    let started = false;
    for (const p of points) {
      const q = at(p);
      if (!q) { started = false; continue; }
      if (started) g.lineTo(...q);
      else g.moveTo(...q);
      started = true;
    }
    if (close) g.closePath();
  };
  g.setTransform(1, 0, 0, 1, 0, 0);
  g.clearRect(0, 0, canvas.width, canvas.height);
  g.lineJoin = "round";
  const [a, b] = HALF;
  const rim = [[-a, -b, 0], [-a, b, 0], [a, b, 0], [a, -b, 0]];
  path(rim.map(([x, y]) => [x, y, FLOOR]), true);
  g.fillStyle = colour("sunk");
  g.fill();
  g.strokeStyle = colour("hair");
  g.lineWidth = ratio;
  for (const [x, y] of [[-1.1, -0.6], [-1.1, 0.6], [1.1, 0.6], [1.1, -0.6]]) {
    path([[x, y, 0], [x, y, FLOOR]]);
    g.stroke();
  }
  path(rim, true);
  g.globalAlpha = 0.85;
  g.fillStyle = colour("sunk");
  g.fill();
  g.globalAlpha = 1;
  g.strokeStyle = colour("soft");
  g.lineWidth = 1.5 * ratio;
  g.stroke();
  path([[-a, 0, 0], [a, 0, 0]]);
  g.strokeStyle = colour("hair");
  g.stroke();
  path([[0, -NET[0], 0], [0, NET[0], 0], [0, NET[0], NET[1]], [0, -NET[0], NET[1]]], true);
  g.globalAlpha = 0.25;
  g.fillStyle = colour("soft");
  g.fill();
  g.globalAlpha = 1;
  g.strokeStyle = colour("ink");
  g.stroke();
  for (const f of flights) {
    const recent = f.t[0] <= now + 0.02 && f.t[f.t.length - 1] > now - RECENT_S;
    g.globalAlpha = recent ? 1 : 0.22;
    path(f.xyz);
    g.strokeStyle = colour("accent");
    g.lineWidth = 2 * ratio;
    g.stroke();
    g.globalAlpha = 1;
  }
  for (const c of contacts) {
    const q = at(c.xyz);
    if (!q || c.kind !== "table") continue;
    g.fillStyle = colour(c.player ? `end-${c.player.toLowerCase()}` : "nobody");
    g.beginPath();
    g.ellipse(q[0], q[1], 6 * ratio, 6 * ratio * Math.max(0.25, Math.sin(view.raise)), 0, 0, 2 * Math.PI);
    g.fill();
  }
  const q = ball && at(ball);
  if (q) {
    const foot = at([ball[0], ball[1], 0]);
    g.strokeStyle = colour("soft");
    g.setLineDash([3 * ratio, 3 * ratio]);
    g.beginPath();
    g.moveTo(...q);
    g.lineTo(...foot);
    g.stroke();
    g.setLineDash([]);
    g.fillStyle = colour("ink");
    g.beginPath();
    g.arc(q[0], q[1], 5.5 * ratio, 0, 2 * Math.PI);
    g.fill();
  }
  g.font = `700 ${15 * ratio}px system-ui, sans-serif`;
  g.textAlign = "center";
  g.textBaseline = "middle";
  for (const [end, x] of [["A", -1.62], ["B", 1.62]]) {
    const p = at([x, 0, 0]);
    g.fillStyle = colour(`end-${end.toLowerCase()}`);
    if (p) g.fillText(end, ...p);
  }
}
