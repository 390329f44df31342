// The eye: orbit by finger, mouse and keys, zoom, and the named views. Parallel, so sizes can be compared.

const TURN_PER_PX = 0.006;

export class Eye {
  constructor(whole, views) {
    this.whole = whole;
    this.views = views;
    this.reset();
  }

  reset() {
    this.from = [...this.whole.from];
    this.at = [...this.whole.at];
    this.up = [...this.whole.up];
    this.half = this.whole.half;
  }

  camera() {
    return { from: this.from, at: this.at, up: this.up, half: this.half, aspect: this.whole.aspect };
  }

  look(name) {
    const [direction, up] = this.views[name];
    const far = length(minus(this.whole.from, this.whole.at));
    const unit = scaled(direction, 1 / length(direction));
    this.at = [...this.whole.at];
    this.from = minus(this.at, scaled(unit, far));
    this.up = [...up];
    this.half = this.whole.half;
  }

  /** Turns the eye about what it looks at; [px] of movement. */
  orbit(dx, dy) {
    const back = minus(this.from, this.at);
    const far = length(back);
    const flat = Math.hypot(back[0], back[1]);
    let around = Math.atan2(back[1], back[0]) - dx * TURN_PER_PX;
    let above = Math.atan2(back[2], flat) + dy * TURN_PER_PX;
    above = Math.min(1.5, Math.max(-1.5, above));
    if (flat < 1e-6) around = Math.atan2(-this.up[1], -this.up[0]) - dx * TURN_PER_PX;
    this.from = [
      this.at[0] + far * Math.cos(above) * Math.cos(around),
      this.at[1] + far * Math.cos(above) * Math.sin(around),
      this.at[2] + far * Math.sin(above),
    ];
    this.up = [0, 0, 1];
  }

  /** Moves what is looked at across the picture; shares of its height. */
  slide(dx, dy) {
    const forward = scaled(minus(this.at, this.from), 1 / length(minus(this.at, this.from)));
    const right = cross(forward, this.up);
    const unit = scaled(right, 1 / length(right));
    const above = cross(unit, forward);
    const way = [0, 1, 2].map((i) => (-dx * unit[i] + dy * above[i]) * 2 * this.half);
    this.at = this.at.map((value, i) => value + way[i]);
    this.from = this.from.map((value, i) => value + way[i]);
  }

  zoom(factor) {
    this.half = Math.min(this.whole.half * 2, Math.max(this.whole.half / 40, this.half * factor));
  }
}

const minus = (a, b) => a.map((value, i) => value - b[i]);
const scaled = (a, by) => a.map((value) => value * by);
const length = (a) => Math.hypot(...a);
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];

/** Lets fingers, mouse and arrow keys move an eye over a canvas; tapped is called with shares of its size. */
export function steer(canvas, eye, changed, tapped) {
  const down = new Map();
  let moved = 0;
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    down.set(event.pointerId, [event.clientX, event.clientY]);
    if (down.size === 1) moved = 0;
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = down.get(event.pointerId);
    if (!before) return;
    const [dx, dy] = [event.clientX - before[0], event.clientY - before[1]];
    moved += Math.abs(dx) + Math.abs(dy);
    if (down.size === 2) {
      const [other] = [...down].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
      const apart = Math.hypot(before[0] - other[0], before[1] - other[1]);
      const now = Math.hypot(event.clientX - other[0], event.clientY - other[1]);
      if (now > 1) eye.zoom(apart / now);
      eye.slide(dx / 2 / canvas.clientHeight, dy / 2 / canvas.clientHeight);
    } else if (event.buttons & 2 || event.shiftKey) eye.slide(dx / canvas.clientHeight, dy / canvas.clientHeight);
    else eye.orbit(dx, dy);
    down.set(event.pointerId, [event.clientX, event.clientY]);
    changed();
  });
  const up = (event) => {
    if (down.delete(event.pointerId) && moved < 6 && event.type === "pointerup") {
      const box = canvas.getBoundingClientRect();
      tapped((event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height);
    }
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    eye.zoom(Math.exp(event.deltaY / 800));
    changed();
  }, { passive: false });
  canvas.addEventListener("keydown", (event) => {
    const turn = { ArrowLeft: [-20, 0], ArrowRight: [20, 0], ArrowUp: [0, -20], ArrowDown: [0, 20] }[event.key];
    if (turn) eye.orbit(...turn);
    else if (event.key === "+" || event.key === "=") eye.zoom(0.85);
    else if (event.key === "-") eye.zoom(1 / 0.85);
    else return;
    event.preventDefault();
    changed();
  });
}
