// Frames of a clip by number, fetched ahead of where one looks; the browser decodes JPEG only.
const KEPT = 240; // pictures; the browser itself drops what it has decoded when memory is short
const AT_ONCE = 4;
const STOPPED_MS = 120; // without another wish: somebody looks

export class Film {
  constructor(base, count, width, more = "") {
    this.base = base;
    this.count = count;
    this.width = width;
    this.more = more; // of the address
    this.kept = new Map(); // number -> Image, oldest use first
    this.waiting = []; // numbers, most wanted first
    this.running = new Set();
    this.arrived = () => {};
  }

  // the picture if it is here
  get(i) {
    const image = this.kept.get(i);
    if (!image) return this.rough?.frame === i ? this.rough.image : null;
    this.kept.delete(i);
    this.kept.set(i, image);
    return image;
  }

  // while one moves about quickly: the picture that is at hand near a frame, then the frame itself
  // where one stops; `arrived` is told which frame it is of
  scrub(i) {
    this.target = i;
    this.moved = performance.now();
    this.waiting = [];
    clearTimeout(this.stopped);
    if (!this.glancing) this._glance();
  }

  async _glance() {
    const i = this.target;
    this.glancing = true;
    try {
      const response = await fetch(`${this.base}/${i}/near.jpg`);
      if (response.ok && !this.kept.has(i)) {
        const frame = Number(response.headers.get("X-Frame"));
        const image = await createImageBitmap(await response.blob());
        this.rough?.image.close();
        this.rough = { frame, image };
        if (!this.kept.has(this.target)) this.arrived(frame, true);
      }
    } catch {
      // the exact frame follows, or says what is wrong
    } finally {
      this.glancing = false;
      if (this.target !== i) this._glance();
      else this._rest(i);
    }
  }

  // the frame itself comes after the glance, so that it keeps no glance waiting
  _rest(i) {
    const left = this.moved + STOPPED_MS - performance.now();
    this.stopped = setTimeout(() => this.want(i), Math.max(0, left));
  }

  // fetch a picture, and after it those that will be asked for next; `arrived` tells of each
  want(i, ahead = []) {
    this.waiting = [i, ...ahead].filter((k) => k >= 0 && k < this.count && !this.kept.has(k) && !this.running.has(k));
    this._pump();
  }

  _pump() {
    while (this.running.size < AT_ONCE && this.waiting.length) {
      const i = this.waiting.shift();
      this.running.add(i);
      this._fetch(i);
    }
  }

  async _fetch(i) {
    const image = new Image();
    image.src = `${this.base}/${i}.jpg?width=${this.width}${this.more}`;
    try {
      await image.decode();
      this.kept.set(i, image);
      if (this.kept.size > KEPT) this.kept.delete(this.kept.keys().next().value);
      this.arrived(i);
    } catch {
      // it stays out of `kept`, so that it is fetched again when it is wanted again
    } finally {
      this.running.delete(i);
      this._pump();
    }
  }
}

// index of the last frame that is shown at a time; times ascend
export function frameAt(times, t) {
  let low = 0;
  let high = times.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle] <= t + 1e-9) low = middle;
    else high = middle - 1;
  }
  return low;
}

// a canvas with a frame on it, its unit a pixel of that frame, and the length of a screen's pixel
export function frameOn(canvas, image, size) {
  const ratio = fit(canvas);
  const g = canvas.getContext("2d");
  const scale = canvas.width / size[0];
  g.setTransform(scale, 0, 0, scale, 0, 0);
  if (image) g.drawImage(image, 0, 0, ...size);
  g.translate(0.5, 0.5); // pixel centres are at integers
  return [g, ratio / scale];
}

// a canvas as sharp as the screen; gives its pixels for each pixel of the page
export function fit(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const width = Math.max(1, Math.round(canvas.clientWidth * ratio));
  const height = Math.max(1, Math.round(canvas.clientHeight * ratio));
  if (canvas.width !== width || canvas.height !== height) {
    canvas.width = width;
    canvas.height = height;
  }
  return ratio;
}
