// Turns, zooms and shifts a model under an orthographic camera: mouse, pen, touch and keyboard.
import { Quaternion, Vector3 } from "three";

const ACROSS = new Vector3(1, 0, 0);
const UP = new Vector3(0, 1, 0);
const KEY_STEP_DEG = 7.5;
const ZOOM_LIMITS = [0.4, 60];

export class Orbit {
  // canvas: the element that is dragged; model: Object3D that is turned; onChange: called after every change.
  constructor(canvas, model, onChange) {
    this.canvas = canvas;
    this.model = model;
    this.onChange = onChange;
    this.start = model.quaternion.clone();
    this.pointers = new Map();
    this.zoom = 1;
    this.shift = { x: 0, y: 0 }; // screen pixels
    canvas.addEventListener("pointerdown", (event) => this.press(event));
    canvas.addEventListener("pointermove", (event) => this.drag(event));
    for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) {
      canvas.addEventListener(name, (event) => this.pointers.delete(event.pointerId));
    }
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    canvas.addEventListener("keydown", (event) => this.key(event));
    canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  }

  get isDragging() {
    return this.pointers.size > 0;
  }

  press(event) {
    this.pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    this.canvas.setPointerCapture(event.pointerId);
    this.canvas.focus({ preventScroll: true });
  }

  drag(event) {
    const last = this.pointers.get(event.pointerId);
    if (!last) return;
    const now = { x: event.clientX, y: event.clientY };
    if (this.pointers.size > 1) this.pinch(event.pointerId, last, now);
    else if (event.shiftKey || event.buttons & 6) this.shiftBy(now.x - last.x, now.y - last.y);
    else this.turn((now.x - last.x) * 0.45, (now.y - last.y) * 0.45);
    this.pointers.set(event.pointerId, now);
    this.onChange();
  }

  pinch(id, last, now) {
    for (const [otherId, other] of this.pointers) {
      if (otherId === id) continue;
      const before = Math.hypot(last.x - other.x, last.y - other.y);
      const after = Math.hypot(now.x - other.x, now.y - other.y);
      if (before > 0) this.zoomBy(after / before);
      this.shiftBy((now.x - last.x) / 2, (now.y - last.y) / 2);
      return;
    }
  }

  wheel(event) {
    // The page itself scrolls until the view has been chosen by a click or the tab key.
    if (document.activeElement !== this.canvas && !event.ctrlKey) return;
    event.preventDefault();
    this.zoomBy(Math.exp(-event.deltaY * 0.0012));
    this.onChange();
  }

  key(event) {
    const step = event.shiftKey ? KEY_STEP_DEG * 4 : KEY_STEP_DEG;
    const actions = {
      ArrowLeft: () => this.turn(-step, 0),
      ArrowRight: () => this.turn(step, 0),
      ArrowUp: () => this.turn(0, -step),
      ArrowDown: () => this.turn(0, step),
      "+": () => this.zoomBy(1.15),
      "=": () => this.zoomBy(1.15),
      "-": () => this.zoomBy(1 / 1.15),
      0: () => this.reset(),
      Home: () => this.reset(),
    };
    if (!actions[event.key] || event.altKey || event.metaKey || event.ctrlKey) return;
    event.preventDefault();
    actions[event.key]();
    this.onChange();
  }

  turn(aboutUpDeg, aboutAcrossDeg) {
    const radians = Math.PI / 180;
    this.model.quaternion.premultiply(new Quaternion().setFromAxisAngle(UP, aboutUpDeg * radians));
    this.model.quaternion.premultiply(new Quaternion().setFromAxisAngle(ACROSS, aboutAcrossDeg * radians));
    this.model.quaternion.normalize();
  }

  zoomBy(ratio) {
    this.zoom = Math.min(ZOOM_LIMITS[1], Math.max(ZOOM_LIMITS[0], this.zoom * ratio));
  }

  shiftBy(x, y) {
    this.shift = { x: this.shift.x + x, y: this.shift.y + y };
  }

  reset() {
    this.model.quaternion.copy(this.start);
    this.zoom = 1;
    this.shift = { x: 0, y: 0 };
  }
}
