// Rallies, strokes and bounces along time: the whole clip above, the surroundings of now below.
import { fit } from "/static/film.js";

export const NEAR_S = 12; // seconds shown in the lower lane
const LANE = 0.26; // share of the height of the upper lane

export function spans(view) {
  const [from, to] = view.whole;
  const width = Math.min(NEAR_S, to - from);
  const start = Math.min(Math.max(view.now - width / 2, from), to - width);
  return { whole: [from, to], near: [start, start + width] };
}

// `entries` are what the list beside it holds, each one called `one`
export function drawTimeline(canvas, entries, one, contacts, allowed, view) {
  const ratio = fit(canvas);
  const g = canvas.getContext("2d");
  const colour = halfvolley.colour;
  const { width, height } = canvas;
  const { whole, near } = spans(view);
  const split = Math.round(LANE * height);
  const far = (t) => ((t - whole[0]) / (whole[1] - whole[0])) * width;
  const close = (t) => ((t - near[0]) / (near[1] - near[0])) * width;
  g.setTransform(1, 0, 0, 1, 0, 0);
  g.fillStyle = colour("paper");
  g.fillRect(0, 0, width, height);
  g.fillStyle = colour("sunk");
  g.fillRect(0, 0, width, split);
  for (const r of entries) {
    g.fillStyle = colour("hair");
    g.fillRect(far(r.from), split * 0.25, Math.max(2 * ratio, far(r.to) - far(r.from)), split * 0.5);
    g.fillStyle = colour("sunk");
    g.fillRect(close(r.from), split + 8 * ratio, Math.max(2, close(r.to) - close(r.from)), height - split - 16 * ratio);
    g.fillStyle = colour("soft");
    g.font = `600 ${11 * ratio}px system-ui, sans-serif`;
    g.textAlign = "left";
    g.textBaseline = "top";
    if (close(r.to) <= 0 || close(r.from) >= width) continue;
    const left = Math.max(4 * ratio, close(r.from) + 5 * ratio);
    const words = [`${one} ${r.id}`, `${r.id}`].find((w) => left + g.measureText(w).width < close(r.to));
    if (words) g.fillText(words, left, split + 11 * ratio);
  }
  g.strokeStyle = colour("soft");
  g.lineWidth = ratio;
  g.strokeRect(far(near[0]), ratio, far(near[1]) - far(near[0]), split - 2 * ratio);
  const middle = split + (height - split) * 0.58;
  g.strokeStyle = colour("hair");
  g.beginPath();
  g.moveTo(0, middle);
  g.lineTo(width, middle);
  g.stroke();
  for (const c of contacts) {
    const x = close(c.t);
    if (x < -9 * ratio || x > width + 9 * ratio) continue;
    g.globalAlpha = allowed.has(c.id) ? 1 : 0.25;
    g.fillStyle = colour(c.player ? `end-${c.player.toLowerCase()}` : "nobody");
    if (c.gone) {
      g.strokeStyle = colour("trouble");
      g.lineWidth = 2 * ratio;
      g.beginPath();
      for (const s of [-1, 1]) {
        g.moveTo(x - 5 * ratio, middle - 5 * s * ratio);
        g.lineTo(x + 5 * ratio, middle + 5 * s * ratio);
      }
      g.stroke();
    } else if (c.kind === "racket") g.fillRect(x - 2 * ratio, c.player === "B" ? middle : middle - 20 * ratio, 4 * ratio, 20 * ratio);
    else if (c.kind === "table") {
      g.beginPath();
      g.arc(x, middle, 5 * ratio, 0, 2 * Math.PI);
      g.fill();
    } else {
      g.strokeStyle = g.fillStyle;
      g.lineWidth = 2 * ratio;
      g.strokeRect(x - 4 * ratio, middle - 4 * ratio, 8 * ratio, 8 * ratio);
    }
    g.globalAlpha = 1;
  }
  g.fillStyle = colour("trouble");
  g.fillRect(far(view.now) - ratio, 0, 2 * ratio, split);
  g.fillRect(close(view.now) - ratio, split, 2 * ratio, height - split);
}

// the time under a place of the page
export function timeAt(canvas, event, view) {
  const box = canvas.getBoundingClientRect();
  const share = (event.clientX - box.left) / box.width;
  const { whole, near } = spans(view);
  const [from, to] = event.clientY - box.top < LANE * box.height ? whole : near;
  return from + share * (to - from);
}
