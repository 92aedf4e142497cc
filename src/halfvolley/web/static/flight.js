// The flight drawn over a frame: which part of it lies before the moment of that frame.
const TRAIL_S = 0.45;
const MARK_S = 1.0;

// time at which the ball was seen in a frame: rows are exposed one after the other
export function seenAt(play, frameTime, height, v) {
  return frameTime + 0.5 * play.exposure_s + (play.readout_s * v) / height;
}

// place on a flight at a time, or null
function along(flight, key, t) {
  const times = flight.t;
  if (t < times[0] || t > times[times.length - 1]) return null;
  let k = 1;
  while (k < times.length - 1 && times[k] < t) k += 1;
  const [p, q] = [flight[key][k - 1], flight[key][k]];
  if (!p || !q) return null;
  const share = (t - times[k - 1]) / Math.max(1e-9, times[k] - times[k - 1]);
  return p.map((x, i) => x + share * (q[i] - x));
}

// where the ball is in the frame of that time, in pixels and in metres; null where no flight is
export function ballAt(play, frameTime, height) {
  for (const flight of play.flights) {
    let t = seenAt(play, frameTime, height, height / 2);
    let uv = along(flight, "uv", t);
    if (uv) {
      t = seenAt(play, frameTime, height, uv[1]);
      uv = along(flight, "uv", t) ?? uv;
    }
    const xyz = along(flight, "xyz", t);
    if (uv || xyz) return { uv, xyz, t };
  }
  return null;
}

// draws on a context whose unit is a picture's pixel, pixel centres at integers
export function drawFlight(g, play, flights, contacts, frameTime, size, line) {
  const now = seenAt(play, frameTime, size[1], size[1] / 2);
  const ball = ballAt(play, frameTime, size[1]);
  const end = ball ? ball.t : now;
  g.lineCap = "round";
  g.lineJoin = "round";
  for (const flight of flights) {
    const points = [];
    flight.t.forEach((t, k) => {
      if (t <= end && t > end - TRAIL_S && flight.uv[k]) points.push([t, flight.uv[k]]);
    });
    if (ball?.uv && end >= flight.t[0] && end <= flight.t[flight.t.length - 1]) points.push([end, ball.uv]);
    for (let k = 1; k < points.length; k += 1) {
      g.globalAlpha = Math.max(0.08, 1 - (end - points[k][0]) / TRAIL_S);
      g.strokeStyle = halfvolley.colour("flight");
      g.lineWidth = 2.5 * line;
      g.beginPath();
      g.moveTo(...points[k - 1][1]);
      g.lineTo(...points[k][1]);
      g.stroke();
    }
  }
  g.globalAlpha = 1;
  for (const c of contacts) {
    if (c.t > end + 1e-6 || c.t < end - MARK_S || !c.uv) continue;
    g.globalAlpha = Math.min(1, 2 * (1 - (end - c.t) / MARK_S));
    mark(g, c, line, size[0]);
    g.globalAlpha = 1;
  }
  if (ball?.uv) {
    g.strokeStyle = "#ffffff";
    g.lineWidth = 1.5 * line;
    g.beginPath();
    g.arc(ball.uv[0], ball.uv[1], 9 * line, 0, 2 * Math.PI);
    g.stroke();
  }
}

function mark(g, c, line, width) {
  const colour = { A: "#6cb4ea", B: "#f2a65c" }[c.player] ?? "#d7dde3";
  const [u, v] = c.uv;
  g.beginPath();
  if (c.kind === "table") g.ellipse(u, v, 15 * line, 6 * line, 0, 0, 2 * Math.PI);
  else if (c.kind === "racket") g.arc(u, v, 11 * line, 0, 2 * Math.PI);
  else g.rect(u - 8 * line, v - 8 * line, 16 * line, 16 * line);
  g.strokeStyle = "#0c1116";
  g.lineWidth = 4.5 * line;
  g.stroke();
  g.strokeStyle = colour;
  g.lineWidth = 2.2 * line;
  g.stroke();
  if (c.kind !== "racket" || !c.speed_out) return;
  const words = `${c.speed_out[0].toFixed(1)} m/s`;
  g.font = `600 ${13 * line}px system-ui, sans-serif`;
  const box = g.measureText(words).width + 10 * line;
  const left = Math.max(4 * line, Math.min(width - box - 4 * line, u + 14 * line));
  g.fillStyle = "rgb(12 17 22 / 75%)";
  g.fillRect(left, v - 26 * line, box, 20 * line);
  g.fillStyle = "#ffffff";
  g.fillText(words, left + 5 * line, v - 11.5 * line);
}
