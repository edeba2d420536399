// The bounces of one serve on the drawing of the table: chosen and moved, by pointer or by keys.
import { draw, placeIn } from "./common.js";

const NEAR = 14;  // cm from a bounce within which a finger means it
const LETTER = 5.3;  // cm, width of a letter of a name
const FRESH = { key: "landing", name: "landing", t: null, place: [0, -70], was: null, ellipse: null, at: null, ring: [] };
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

export class Spots {
  /** `chosen(bounce)` is told which one is meant, `keep(bounce, place)` where it was put. */
  constructor(drawing, layer, chosen, keep) {
    this.drawing = drawing; this.layer = layer; this.chosen = chosen; this.keep = keep;
    this.serve = null; this.moving = null; this.held = false;
    drawing.addEventListener("pointerdown", (event) => this.#take(event));
    drawing.addEventListener("pointermove", (event) => this.#drag(event));
    for (const name of ["pointerup", "pointercancel"]) drawing.addEventListener(name, () => this.#drop());
    drawing.addEventListener("keydown", (event) => this.#key(event));
    drawing.addEventListener("focusout", () => {
      // Who goes on to something else has said where the bounce is.
      if (this.moving && !this.held) setTimeout(() => { if (this.moving && this.#focused() !== this.moving.key) this.#put(); }, 0);
    });
  }

  /** Show a serve; another one than before ends a move. */
  show(serve) {
    if (serve?.id !== this.serve?.id) { this.moving = null; this.held = false; }
    this.serve = serve;
    const focused = this.#focused();
    this.layer.replaceChildren(...(serve ? this.#parts() : []));
    if (focused) this.#handle(focused)?.focus();
  }

  /** Choose the bounce nearest to a moment of the film, or the next one where one is chosen. */
  choose(step, now) {
    if (!this.serve) return;
    const all = this.#all(), here = all.findIndex((b) => b.key === this.#focused());
    if (here < 0 && !this.serve.bounces.some((b) => b.key === "landing")) {
      this.#begin(FRESH);  // where no landing was found, that is what is missing
      return;
    }
    const apart = (b) => (b.t === null ? Infinity : Math.abs(b.t - now));
    const next = here < 0 ? all.reduce((a, b) => (apart(b) < apart(a) ? b : a)) : all[(here + step + all.length) % all.length];
    if (this.moving && here >= 0) this.#put();
    this.#begin(next);
  }

  #begin(bounce) {
    this.moving = { key: bounce.key, place: [...bounce.place], touched: false };
    this.show(this.serve);
    this.#handle(bounce.key).focus();
    this.chosen(bounce);
  }
  #all() {
    const all = [...this.serve.bounces];
    if (this.moving?.key === "landing" && !all.some((b) => b.key === "landing")) all.push(FRESH);
    return all;
  }
  #place(bounce) { return this.moving?.key === bounce.key ? this.moving.place : bounce.place; }
  #focused() { return this.layer.contains(document.activeElement) ? document.activeElement.dataset.bounce : undefined; }
  #handle(key) { return this.layer.querySelector(`[data-bounce="${key}"]`); }

  #parts() {
    const parts = [], handles = [];
    for (const b of this.#all()) {
      const [x, y] = this.#place(b);
      const shown = this.moving?.key === b.key && this.moving.touched;
      if (b.ellipse && !shown) parts.push(draw("ellipse", { class: "halo", rx: Math.max(b.ellipse[0], .5), ry: Math.max(b.ellipse[1], .5), transform: `translate(${b.place}) rotate(${b.ellipse[2]})` }));
      const was = b.was ?? (shown ? b.place : null);
      if (was && Math.hypot(was[0] - x, was[1] - y) > 0.5) parts.push(draw("circle", { class: "spot was", cx: was[0], cy: was[1], r: 3.2 }, draw("title", {}, b.was ? "where the machine put it" : "where it was")));
      const dot = b.key === "second" ? draw("path", { class: "spot second", d: "M-3 0h6m-3-3v6" }) : draw("circle", { class: `spot${b.key === "landing" ? " land" : ""}`, r: b.key === "landing" ? 3 : 2.2 });
      const room = Math.max(0, 98 - LETTER * b.name.length / 2);  // the name stays on the drawing
      const name = draw("text", { class: "bounce-name", x: Math.max(-room, Math.min(room, x)) - x, y: y < -140 ? 20 : -13, "text-anchor": "middle" }, b.name);
      handles.push(draw("g", { class: `bounce-handle${this.held && this.moving?.key === b.key ? " held" : ""}`, tabindex: 0, role: "slider", "data-bounce": b.key, transform: `translate(${x} ${y})`,
        "aria-label": `${b.name} of serve ${this.serve.number}`, "aria-valuenow": Math.round(x), "aria-valuemin": -500, "aria-valuemax": 500,
        "aria-valuetext": `${Math.abs(x).toFixed(0)} cm ${x < 0 ? "left" : "right"} of the middle, ${Math.abs(y).toFixed(0)} cm ${y < 0 ? "past the net" : "before the net"}` },
      draw("title", {}, b.name), draw("circle", { class: "grip", r: 9 }), dot, name));
    }
    return [...parts, ...handles];
  }

  #take(event) {
    if (!this.serve) return;
    const [x, y] = placeIn(this.drawing, event), apart = (b) => Math.hypot(b.place[0] - x, b.place[1] - y);
    const near = this.#all().filter((b) => apart(b) < NEAR).sort((a, b) => apart(a) - apart(b))[0];
    if (!near) return;
    event.preventDefault(); this.drawing.setPointerCapture(event.pointerId);
    this.held = true; this.#begin(near);
  }
  #drag(event) {
    if (!this.held || !this.moving) return;
    const [x, y] = placeIn(this.drawing, event).map((v) => Math.round(v * 10) / 10);
    this.moving.place = [Math.max(-98, Math.min(98, x)), Math.max(-158, Math.min(158, y))];
    this.moving.touched = true;
    this.show(this.serve);
  }
  #drop() {
    if (!this.held) return;
    this.held = false;
    if (this.moving?.touched) this.#put(); else this.show(this.serve);
  }
  #key(event) {
    const key = this.#focused(), bounce = key && this.#all().find((b) => b.key === key);
    if (!bounce) return;
    const way = WAYS[event.key];
    if (way) {
      event.preventDefault(); event.stopPropagation();
      const step = event.shiftKey ? 5 : 1, from = this.#place(bounce);
      this.moving = { key, place: [from[0] + way[0] * step, from[1] + way[1] * step], touched: true };
      this.show(this.serve);
    } else if (event.key === "Enter" && this.moving) {
      event.preventDefault(); event.stopPropagation();
      this.moving.touched = true; this.#put();
    } else if (event.key === "Escape") {
      this.moving = null; document.activeElement.blur(); this.show(this.serve);
    }
  }
  #put() {
    const { key, place, touched } = this.moving, bounce = this.#all().find((b) => b.key === key);
    this.moving = null;
    if (!touched) { this.show(this.serve); return; }
    let own = this.serve.bounces.find((b) => b.key === key);
    if (!own) this.serve.bounces.push(own = { ...bounce });
    own.place = place; own.ellipse = null; own.ring = [];  // until the program answers
    this.show(this.serve);
    this.keep(own, place);
  }
}
