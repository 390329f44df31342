// The moving model: one scene, one WebGL context; every view is drawn by it and copied to a canvas of its own.

import {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DirectionalLight, DoubleSide, EdgesGeometry, LineBasicMaterial,
  LineSegments, Matrix4, Mesh, MeshLambertMaterial, OrthographicCamera, Raycaster, Scene, Vector2, Vector3, WebGLRenderer,
} from "three";
import { blade, poses, state } from "./rig.js";
import { feeler } from "./words.js";

const SHARES = 65535;
const EDGE_DEG = 30;
const EDGE = "#222222";
const INTENDED = "#0072B2";
const GHOST = 0.12;
const LETTER_PX = 11;

export class Model {
  /** Raises an Error when there is no WebGL. antialias: costs 2.5 times where WebGL is software. */
  constructor(data, block, antialias) {
    this.data = data;
    this.block = block;
    this.renderer = new WebGLRenderer({ antialias, alpha: false });
    this.renderer.setClearColor("#ffffff", 1);
    this.scene = new Scene();
    this.scene.matrixWorldAutoUpdate = true;
    this.eye = new OrthographicCamera(-1, 1, 1, -1, 0.1, 1e5);
    this.scene.add(new AmbientLight("#ffffff", 1.9));
    this.lamp = new DirectionalLight("#ffffff", 1.6);
    this.scene.add(this.lamp, this.lamp.target);
    this.geometries = data.bodies.map(() => null);
    this.edges = data.bodies.map(() => null);
    this.materials = new Map();
    this.line = new LineBasicMaterial({ color: EDGE });
    this.phantomLine = new LineBasicMaterial({ color: INTENDED });
    this.parts = new Map();
    for (const part of data.parts) this.parts.set(part.name, this.made(part, part.body, part.mark));
    this.own = new Map();
    this.feelers = new Map();
    for (const [name, close] of Object.entries(data.close)) {
      for (const [part, body, mark, chain] of close.parts) {
        const known = this.parts.get(part);
        if (known === undefined) continue;
        const it = body === null ? known : this.made(known.part, body, mark);
        if (!this.own.has(name)) this.own.set(name, []);
        this.own.get(name).push({ it, chain: chain ?? known.part.chain });
      }
      if (close.feeler) {
        const { colour, parts } = close.feeler;
        this.feelers.set(name, parts.map(([part, body, chain]) => (
          { it: this.made({ name: part, quiet: colour, strong: colour }, body, null), chain }
        )));
      }
    }
    this.hidden = new Set(data.parts.filter((part) => !part.shown).map((part) => part.name));
    this.about = new Set();
    this.faint = false;
    this.phantom = null;
    this.pointed = "";
  }

  made(part, body, mark) {
    const solid = new Mesh(this.geometry(body), this.material(part.quiet, 1));
    const lines = new LineSegments(this.edge(body), this.line);
    const paint = mark === null ? null : new Mesh(this.geometry(mark), this.material("#D55E00", 1));
    const shadow = new LineSegments(this.edge(body), this.phantomLine);
    const all = [solid, lines, shadow, ...(paint ? [paint] : [])];
    for (const each of all) {
      each.matrixAutoUpdate = false;
      each.visible = false;
      each.frustumCulled = false;
      this.scene.add(each);
    }
    solid.userData.part = part.name;
    return { part, solid, lines, paint, shadow };
  }

  geometry(number) {
    if (this.geometries[number] === null) {
      const { v, f, low, span } = this.data.bodies[number];
      const points = new Float32Array(v[1]);
      for (let i = 0; i < v[1]; i += 1) points[i] = low[i % 3] + (this.block.shares[v[0] + i] / SHARES) * span[i % 3];
      const made = new BufferGeometry();
      made.setAttribute("position", new BufferAttribute(points, 3));
      made.setIndex(new BufferAttribute(this.block.corners.slice(f[0], f[0] + f[1]), 1));
      made.computeBoundingSphere();
      this.geometries[number] = made;
    }
    return this.geometries[number];
  }

  edge(number) {
    if (this.edges[number] === null) this.edges[number] = new EdgesGeometry(this.geometry(number), EDGE_DEG);
    return this.edges[number];
  }

  material(colour, opacity) {
    const key = `${colour} ${opacity}`;
    if (!this.materials.has(key)) {
      const made = new MeshLambertMaterial({
        color: new Color(colour), flatShading: true, side: DoubleSide, transparent: opacity < 1, opacity,
        depthWrite: opacity === 1, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1,
      });
      this.materials.set(key, made);
    }
    return this.materials.get(key);
  }

  /**
   * Moves all parts to a moment. intended: number of the assembly that is drawn as phantom where it differs; step: the
   * one that is worked at, null where none is.
   */
  place(now, intended, step) {
    this.now = now;
    this.state = state(this.data, this.block, now);
    this.blade = blade(this.data, step, now, this.state);
    this.posed = poses(this.data, this.state);
    this.phantom = intended === null
      ? null
      : poses(this.data, state(this.data, this.block, { assembly: intended, crank: now.crank, free: {} }));
    this.less = { ...this.data.assemblies[0].less, ...this.data.assemblies[now.assembly].less };
  }

  fitted(part) {
    return !part.fitted_by || this.less[part.fitted_by] !== null;
  }

  /** Draws the whole engine into a canvas. camera: position, target and up as arrays, half the height shown [mm]. */
  draw(canvas, camera) {
    this.clear();
    for (const it of this.parts.values()) {
      if (this.hidden.has(it.part.name) || !this.fitted(it.part)) continue;
      const asked = this.about.has(it.part.name) || it.part.name === this.pointed;
      const ghost = this.faint && !asked && this.about.size > 0;
      this.show(it, this.posed[it.part.chain], asked, ghost);
      if (this.phantom && differ(this.posed[it.part.chain], this.phantom[it.part.chain])) {
        it.shadow.visible = true;
        set(it.shadow, this.phantom[it.part.chain]);
      }
    }
    this.render(canvas, camera);
  }

  /** Draws a close-up; the chains that are its own magnify its clearance or gap. */
  drawClose(name, canvas) {
    const close = this.data.close[name];
    this.clear();
    for (const { it, chain } of this.own.get(name) ?? []) {
      if (this.fitted(it.part)) this.show(it, this.posed[chain], true, false);
    }
    const blade = this.blade && close.kind === "valve" && this.blade.of === close.of ? this.blade : null;
    if (blade) for (const { it, chain } of this.feelers.get(name)) this.show(it, this.posed[chain], true, false);
    this.render(canvas, close.camera);
    if (blade) this.name(canvas, feeler(this.data, blade), this.posed[close.feeler.parts[1][2]], close.feeler.named_at);
  }

  /** Lines on a patch in a canvas that was drawn last, about a place in a frame, moved to where they are not cut. */
  name(canvas, lines, pose, at) {
    const pen = canvas.getContext("2d");
    const size = LETTER_PX * Math.min(globalThis.devicePixelRatio || 1, 2);
    pen.font = `bold ${size}px sans-serif`;
    const wide = Math.max(...lines.map((line) => pen.measureText(line).width)) + size;
    const high = 1.3 * size * lines.length + 0.4 * size;
    const place = new Vector3(...at).applyMatrix4(matrix(pose)).project(this.eye);
    const kept = (share, reach, end) => Math.max(reach / 2 + 1, Math.min(share * end, end - reach / 2 - 1));
    const x = kept((1 + place.x) / 2, wide, canvas.width);
    const y = kept((1 - place.y) / 2, high, canvas.height);
    pen.fillStyle = "#ffffff";
    pen.fillRect(x - wide / 2, y - high / 2, wide, high);
    pen.strokeStyle = EDGE;
    pen.strokeRect(x - wide / 2, y - high / 2, wide, high);
    pen.fillStyle = EDGE;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    lines.forEach((line, number) => pen.fillText(line, x, y + 1.3 * size * (number - (lines.length - 1) / 2)));
  }

  clear() {
    for (const each of this.scene.children) if (each.isMesh || each.isLineSegments) each.visible = false;
  }

  show(it, pose, asked, ghost) {
    it.solid.material = this.material(asked ? it.part.strong : it.part.quiet, ghost ? GHOST : 1);
    it.solid.visible = true;
    it.lines.visible = !ghost;
    set(it.solid, pose);
    set(it.lines, pose);
    if (it.paint) {
      it.paint.visible = !ghost;
      set(it.paint, pose);
    }
  }

  render(canvas, camera) {
    const density = Math.min(globalThis.devicePixelRatio || 1, 2);
    const width = Math.max(1, Math.round(canvas.clientWidth * density));
    const height = Math.max(1, Math.round(canvas.clientHeight * density));
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    const drawn = this.renderer.domElement;
    if (drawn.width !== width || drawn.height !== height) this.renderer.setSize(width, height, false);
    this.aim(camera, width / height);
    this.renderer.render(this.scene, this.eye);
    canvas.getContext("2d").drawImage(drawn, 0, 0);
  }

  aim({ from, at, up, half, aspect: framed }, aspect) {
    const eye = this.eye;
    // what was framed for a wide picture must not be cut in a narrow one
    const tall = half * Math.max(1, framed / aspect);
    eye.top = tall;
    eye.bottom = -tall;
    eye.right = tall * aspect;
    eye.left = -eye.right;
    eye.up.set(...up);
    eye.position.set(...from);
    eye.lookAt(new Vector3(...at));
    const away = new Vector3(...from).sub(new Vector3(...at));
    const far = away.length();
    eye.near = 0.1;
    eye.far = 2 * far + 4000;
    eye.updateProjectionMatrix();
    eye.updateMatrixWorld();
    const light = new Vector3(-0.35, 0.55, 1).normalize().applyQuaternion(eye.quaternion);
    this.lamp.position.copy(this.lamp.target.position).add(light);
  }

  /** Name of the part under a point of a canvas that was drawn last as the whole (shares of width and height). */
  at(x, y, camera, aspect) {
    this.clear();
    const there = [];
    for (const it of this.parts.values()) {
      if (this.hidden.has(it.part.name) || !this.fitted(it.part)) continue;
      set(it.solid, this.posed[it.part.chain]);
      it.solid.updateMatrixWorld(true);
      it.solid.visible = true;
      there.push(it.solid);
    }
    this.aim(camera, aspect);
    const ray = new Raycaster();
    ray.setFromCamera(new Vector2(2 * x - 1, 1 - 2 * y), this.eye);
    const [hit] = ray.intersectObjects(there, false);
    return hit ? hit.object.userData.part : "";
  }
}

function set(object, p) {
  object.matrix.copy(matrix(p));
  object.matrixWorldNeedsUpdate = true;
}

function matrix(p) {
  return new Matrix4().set(...p, 0, 0, 0, 1);
}

function differ(a, b) {
  return a.some((value, index) => Math.abs(value - b[index]) > (index % 4 === 3 ? 0.02 : 0.0005));
}
