// The turning view of a bone's page. Everything it needs stands in the page itself; it opens no connection.
// Where WebGL is missing the still picture stays.
import { AmbientLight, DirectionalLight, OrthographicCamera, Raycaster, Scene, Vector2, WebGLRenderer } from "three";
import { Bone } from "./bone.js";
import { Orbit } from "./orbit.js";

const BAR_LARGEST_PX = 190;
const MARK_PX = 5;

// The largest 1, 2 or 5 times a power of ten not above the limit.
function roundLength(limit) {
  const power = 10 ** Math.floor(Math.log10(limit));
  return [5, 2, 1].map((n) => n * power).find((length) => length <= limit * 1.000001);
}

class View {
  constructor(figure, bone, renderer) {
    this.figure = figure;
    this.bone = bone;
    this.renderer = renderer;
    this.canvas = renderer.domElement;
    this.mode = "evidence";
    this.only = null;
    this.isWaiting = false;
    this.scene = new Scene();
    this.camera = new OrthographicCamera();
    this.fillScene();
    this.orbit = new Orbit(this.canvas, bone.model, () => this.redraw());
    this.listen();
    this.paint();
  }

  fillScene() {
    this.scene.add(this.bone.model, new AmbientLight("#ffffff", 1.75));
    const key = new DirectionalLight("#ffffff", 1.6);
    key.position.set(-0.5, 0.8, 1);
    this.scene.add(key);
    this.radius = this.bone.geometry.boundingBox.min.length() + this.bone.geometry.boundingBox.max.length();
    this.camera.position.set(0, 0, this.radius * 2);
  }

  listen() {
    new ResizeObserver(() => this.redraw()).observe(this.canvas.parentElement);
    this.canvas.addEventListener("pointermove", (event) => this.point(event));
    this.canvas.addEventListener("pointerleave", () => this.read(""));
    for (const radio of this.figure.querySelectorAll("input[name=colours]")) {
      radio.addEventListener("change", () => this.choose(radio.value));
    }
    for (const button of this.figure.querySelectorAll("button[data-class]")) {
      button.addEventListener("click", () => this.single(button));
    }
    this.figure.querySelector("button[data-reset]").addEventListener("click", () => {
      this.orbit.reset();
      this.redraw();
    });
  }

  choose(mode) {
    this.mode = mode;
    this.figure.dataset.colours = mode;
    this.paint();
  }

  // Shows one class in colour and the rest pale; the same button again shows all.
  single(button) {
    const index = Number(button.dataset.class);
    this.only = this.only === index ? null : index;
    for (const other of this.figure.querySelectorAll("button[data-class]")) {
      other.setAttribute("aria-pressed", String(Number(other.dataset.class) === this.only));
    }
    this.paint();
  }

  paint() {
    this.bone.paint(this.mode, this.only);
    this.redraw();
  }

  redraw() {
    if (this.isWaiting) return;
    this.isWaiting = true;
    requestAnimationFrame(() => {
      this.isWaiting = false;
      this.draw();
    });
  }

  draw() {
    const { clientWidth: width, clientHeight: height } = this.canvas.parentElement;
    if (!width || !height) return;
    this.renderer.setSize(width, height);
    this.frame(width, height);
    for (const mark of this.bone.marks) mark.scale.setScalar(MARK_PX * this.mmPerPx);
    this.bone.hatchPx.value = this.renderer.getPixelRatio();
    this.bone.outlinePx.value.set(3 / width, 3 / height);
    this.renderer.render(this.scene, this.camera);
    this.drawBar();
    this.figure.dataset.state = "drawn";
  }

  // Sets the camera so that one pixel is mmPerPx millimetres anywhere in the picture.
  frame(width, height) {
    const [across, up] = this.bone.payload.view_extents_mm;
    this.mmPerPx = Math.max(across / (width * 0.86), up / (height * 0.74)) / this.orbit.zoom;
    const { x, y } = this.orbit.shift;
    this.camera.left = (-width / 2 - x) * this.mmPerPx;
    this.camera.right = (width / 2 - x) * this.mmPerPx;
    this.camera.top = (height / 2 + y) * this.mmPerPx;
    this.camera.bottom = (-height / 2 + y) * this.mmPerPx;
    this.camera.near = 0;
    this.camera.far = this.radius * 4;
    this.camera.updateProjectionMatrix();
  }

  drawBar() {
    const length = roundLength(BAR_LARGEST_PX * this.mmPerPx);
    const bar = this.figure.querySelector(".scalebar");
    bar.style.width = `${length / this.mmPerPx}px`;
    bar.querySelector("span").textContent = `${Number(length.toPrecision(1))} mm`;
  }

  point(event) {
    if (this.orbit.isDragging || this.isWaiting) return;
    const box = this.canvas.getBoundingClientRect();
    const place = new Vector2(((event.clientX - box.left) / box.width) * 2 - 1, 1 - ((event.clientY - box.top) / box.height) * 2);
    const ray = new Raycaster();
    ray.setFromCamera(place, this.camera);
    const [marked] = ray.intersectObjects(this.bone.marks.map((mark) => mark.children[1]), false);
    if (marked) return void this.read(marked.object.userData.words);
    const [hit] = ray.intersectObject(this.bone.mesh, false);
    if (!hit) return void this.read("");
    const { code, words, deviationMm } = this.bone.describe(hit.faceIndex);
    const isSigned = this.bone.payload.deviation_range_mm[0] < 0;
    const sign = !isSigned ? "" : deviationMm < 0 ? "−" : "+";
    this.read(`${code}: ${words}` + (deviationMm === null ? "" : `, ${sign}${Math.abs(deviationMm).toFixed(2)} mm`));
  }

  read(text) {
    this.figure.querySelector(".readout").textContent = text;
  }
}

function start() {
  const figure = document.getElementById("view");
  const source = document.getElementById("bone-mesh");
  if (!figure || !source) return;
  const probe = document.createElement("canvas").getContext("webgl2");
  if (!probe) return void (figure.dataset.state = "still");
  probe.getExtension("WEBGL_lose_context")?.loseContext();
  const renderer = new WebGLRenderer({ antialias: true, alpha: true });
  renderer.setPixelRatio(Math.min(2, window.devicePixelRatio || 1));
  const stage = figure.querySelector(".stage");
  renderer.domElement.tabIndex = 0;
  renderer.domElement.setAttribute("role", "application");
  renderer.domElement.setAttribute("aria-label", stage.dataset.label);
  stage.prepend(renderer.domElement);
  figure.dataset.state = "live";
  window.boneView = new View(figure, new Bone(JSON.parse(source.textContent)), renderer);
}

start();
