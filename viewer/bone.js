// Decodes the mesh that a page carries and colours it: by evidence class, or by deviation from the scan.
import {
  BackSide, BufferAttribute, BufferGeometry, Color, Group, Matrix4, Mesh, MeshBasicMaterial, MeshLambertMaterial, ShaderMaterial, SphereGeometry,
  Uint16BufferAttribute, Vector2,
} from "three";

const PALE = new Color("#f1efea");
const HATCH_VERTEX = "attribute float hatch;\nvarying float vHatch;\n";
const HATCH_FRAGMENT = "uniform float hatchPx;\nvarying float vHatch;\n";
const HATCH_STRIPES =
  "if (vHatch > 0.5 && mod(gl_FragCoord.x + gl_FragCoord.y, 6.0 * hatchPx) < 1.4 * hatchPx) diffuseColor.rgb *= 0.35;\n";

function bytesOf(base64) {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  return bytes.buffer;
}

export class Bone {
  // payload: the JSON written by meshtools.report.viewer_mesh
  constructor(payload) {
    this.payload = payload;
    const Indices = payload.index_type === "uint16" ? Uint16Array : Uint32Array;
    this.indices = new Indices(bytesOf(payload.indices));
    this.classes = new Uint8Array(bytesOf(payload.classes));
    this.deviation = payload.deviation ? new Float32Array(bytesOf(payload.deviation)) : null;
    this.classColours = payload.class_table.map((entry) => new Color(entry.colour));
    this.isHatched = payload.class_table.map((entry) => entry.is_hatched);
    this.hasSource = payload.class_table.map((entry) => entry.has_source);
    this.ramp = payload.deviation_ramp.map((colour) => new Color(colour));
    this.noSource = new Color(payload.no_source_colour);
    this.geometry = this.cornerGeometry(new Float32Array(bytesOf(payload.positions)));
    this.hatchPx = { value: 1 };
    this.outlinePx = { value: new Vector2(0.002, 0.002) };
    this.mesh = new Mesh(this.geometry, this.surfaceMaterial());
    this.model = new Group();
    this.model.add(this.mesh, new Mesh(this.geometry, this.outlineMaterial()));
    this.marks = this.placeMarks();
    this.model.quaternion.setFromRotationMatrix(new Matrix4().set(...payload.view_from_mesh));
  }

  // A dot with a pale rim at every place that a finding names, seen through the bone; the view keeps its size on the screen.
  placeMarks() {
    const dot = new SphereGeometry(1, 16, 12);
    const see = (color) => new MeshBasicMaterial({ color, depthTest: false, transparent: true });
    const [inner, rim] = [see("#c2185b"), see("#ffffff")];
    return (this.payload.marks || []).map(({ place_mm: place, words }) => {
      const mark = new Group();
      const [outside, inside] = [new Mesh(dot, rim), new Mesh(dot, inner)];
      outside.scale.setScalar(1.35);
      outside.renderOrder = 1;
      inside.renderOrder = 2;
      inside.userData.words = words;
      mark.add(outside, inside);
      mark.position.set(...place.map((value, k) => value - this.payload.centre_mm[k]));
      this.model.add(mark);
      return mark;
    });
  }

  // Colours belong to faces, so every face gets corners of its own; normals stay smooth across faces.
  cornerGeometry(positions) {
    const indexed = new BufferGeometry();
    indexed.setAttribute("position", new BufferAttribute(positions, 3));
    indexed.setIndex(new BufferAttribute(this.indices, 1));
    indexed.computeVertexNormals();
    const corners = indexed.toNonIndexed();
    const hatch = new Uint16BufferAttribute(this.indices.length, 1);
    for (let i = 0; i < this.indices.length; i += 1) hatch.array[i] = this.isHatched[this.classes[Math.floor(i / 3)]] ? 1 : 0;
    corners.setAttribute("hatch", hatch);
    corners.setAttribute("color", new BufferAttribute(new Float32Array(this.indices.length * 3), 3));
    corners.computeBoundingBox();
    return corners;
  }

  surfaceMaterial() {
    const material = new MeshLambertMaterial({ vertexColors: true });
    material.onBeforeCompile = (shader) => {
      shader.uniforms.hatchPx = this.hatchPx;
      shader.vertexShader = HATCH_VERTEX + shader.vertexShader.replace("#include <begin_vertex>", "#include <begin_vertex>\nvHatch = hatch;");
      shader.fragmentShader =
        HATCH_FRAGMENT + shader.fragmentShader.replace("#include <color_fragment>", "#include <color_fragment>\n" + HATCH_STRIPES);
    };
    return material;
  }

  // A dark rim of constant width, so that pale classes stand out from the paper.
  outlineMaterial() {
    return new ShaderMaterial({
      side: BackSide,
      uniforms: { outline: this.outlinePx },
      vertexShader:
        "uniform vec2 outline;\nvoid main() {\n  vec4 place = projectionMatrix * modelViewMatrix * vec4(position, 1.0);\n" +
        "  vec2 outward = normalize((normalMatrix * normal).xy + vec2(1e-6));\n  place.xy += outward * outline;\n  gl_Position = place;\n}",
      fragmentShader: "void main() { gl_FragColor = vec4(0.16, 0.15, 0.14, 1.0); }",
    });
  }

  // mode: "evidence" or "deviation"; only: index of the one class to show in colour, or null for all.
  paint(mode, only) {
    const colours = this.geometry.getAttribute("color");
    for (let i = 0; i < this.indices.length; i += 1) {
      const face = this.classes[Math.floor(i / 3)];
      let colour = mode === "deviation" ? this.deviationColour(i, face) : this.classColours[face];
      if (only !== null && face !== only) colour = PALE;
      colours.setXYZ(i, colour.r, colour.g, colour.b);
    }
    colours.needsUpdate = true;
  }

  deviationColour(corner, face) {
    const value = this.hasSource[face] ? this.deviation[this.indices[corner]] : NaN;
    if (Number.isNaN(value)) return this.noSource;
    const [low, high] = this.payload.deviation_range_mm;
    const place = Math.min(1, Math.max(0, (value - low) / (high - low)));
    return this.ramp[Math.round(place * (this.ramp.length - 1))];
  }

  // What lies under a face: its class, and the mean deviation of its corners (null without a source).
  describe(face) {
    const entry = this.payload.class_table[this.classes[face]];
    let deviationMm = null;
    if (this.deviation && entry.has_source) {
      deviationMm = [0, 1, 2].reduce((sum, k) => sum + this.deviation[this.indices[3 * face + k]], 0) / 3;
      if (Number.isNaN(deviationMm)) deviationMm = null;
    }
    return { code: entry.code, words: entry.words, deviationMm };
  }
}
