// The back in 3D. Everything drawn was worked out by the server; here it is only placed, coloured by a table, and turned.
const TOUCHING_KPA = 0.1;
const NEAR_PX = 26; // a finger's reach around a landmark
const RING_MM = 55;
const STILL_PX = 6; // less movement than this is a tap
const LOOKS = { above: [0, 1, -0.02], left: [1, 0.4, 0.12], right: [-1, 0.4, 0.12], behind: [0, 0.42, -1] };

const css = name => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const colour = text => new THREE.Color(text);

const gridIndex = (along, across, usable) => {
  const corners = [];
  for (let side = 0; side < 2; side++) for (let i = 0; i < along - 1; i++) for (let j = 0; j < across - 1; j++) {
    const a = side * along * across + i * across + j, b = a + 1, c = a + across, d = c + 1;
    if (usable(a) && usable(b) && usable(c) && usable(d)) corners.push(a, c, b, b, c, d);
  }
  return corners;
};
const stripIndex = count => Array.from({ length: Math.max(count - 1, 0) }, (_, k) => [k, k + 1, count + k, k + 1, count + k + 1, count + k]).flat();
const rim = (along, across) => {
  const pairs = [];
  for (let side = 0; side < 2; side++) {
    const at = (i, j) => side * along * across + i * across + j;
    for (let i = 0; i < along - 1; i++) pairs.push(at(i, 0), at(i + 1, 0), at(i, across - 1), at(i + 1, across - 1));
    for (let j = 0; j < across - 1; j++) pairs.push(at(0, j), at(0, j + 1), at(along - 1, j), at(along - 1, j + 1));
  }
  return pairs;
};
// A flat ring; it is turned to whoever looks.
const annulus = (inner, outer, corners = 48) => {
  const points = [], index = [];
  for (let k = 0; k < corners; k++) {
    const turn = 2 * Math.PI * k / corners, next = 2 * ((k + 1) % corners);
    for (const far of [inner, outer]) points.push(far * Math.cos(turn), far * Math.sin(turn), 0);
    index.push(2 * k, 2 * k + 1, next, next, 2 * k + 1, next + 1);
  }
  return geometry(new Float32Array(points), index);
};
const geometry = (points, index) => {
  const made = new THREE.BufferGeometry();
  made.setAttribute('position', new THREE.BufferAttribute(points, 3));
  if (index) made.setIndex(index.buffer ? new THREE.BufferAttribute(index, 1) : index);
  return made;
};

export class View {
  constructor(canvas, { tapped, moved, moving }) {
    this.canvas = canvas;
    this.tapped = tapped; this.moved = moved; this.moving = moving;
    this.mode = 'pressure'; this.compare = 'one'; this.saddle = false; this.wipe = 0.5; this.marksShown = false;
    this.fields = {}; this.marks = []; this.rings = []; this.litNodes = null; this.colours = null; this.picked = [];
    try { this.renderer = new THREE.WebGLRenderer({ canvas, antialias: true, alpha: true }); } catch { this.renderer = null; }
    if (!this.renderer) { canvas.parentElement.classList.add('plain'); return; }
    this.renderer.setScissorTest(true);
    this.camera = new THREE.PerspectiveCamera(30, 1, 20, 20000);
    this.camera.position.set(900, 1500, 700);
    this.controls = new THREE.OrbitControls(this.camera, canvas);
    this.controls.enablePan = false;
    this.controls.minDistance = 300; this.controls.maxDistance = 6000;
    this.controls.addEventListener('change', () => this.draw());
    this.sides = { now: this.scene(), beside: this.scene() };
    this.ray = new THREE.Raycaster();
    this.listen();
    matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => this.dress());
    new ResizeObserver(() => this.draw()).observe(canvas.parentElement);
  }

  scene() {
    const scene = new THREE.Scene();
    const sky = new THREE.HemisphereLight(0xffffff, 0x8a8378, 2.0);
    const lamp = new THREE.DirectionalLight(0xffffff, 1.3);
    lamp.position.set(500, 1500, 400);
    scene.add(sky, lamp);
    return { scene, parts: {} };
  }

  put(which, name, object) {
    const side = this.sides[which];
    if (side.parts[name]) { side.scene.remove(side.parts[name]); side.parts[name].geometry?.dispose(); }
    side.parts[name] = object;
    if (object) side.scene.add(object);
  }

  // The bare back and its sections, for both sides of a comparison.
  setBack(message) {
    if (!this.renderer) return;
    const first = !this.back;
    this.back = geometry(message.points, message.triangles);
    this.back.setAttribute('normal', new THREE.BufferAttribute(message.normals, 3));
    this.back.computeBoundingSphere();
    this.back.computeBoundingBox();
    const pieces = [];
    for (let k = 0; k + 1 < message.starts.length; k++)
      for (let i = message.starts[k]; i + 1 < message.starts[k + 1]; i++) pieces.push(i, i + 1);
    this.lines = geometry(message.lines, pieces);
    for (const which of Object.keys(this.sides)) {
      this.put(which, 'back', new THREE.Mesh(this.back, new THREE.MeshStandardMaterial({
        color: colour(css('--horse')), roughness: 1, side: THREE.DoubleSide, polygonOffset: true, polygonOffsetFactor: 2, polygonOffsetUnits: 8 })));
      this.put(which, 'lines', new THREE.LineSegments(this.lines, new THREE.LineBasicMaterial({ color: colour(css('--ink')) })));
    }
    if (first) this.look('left', [0.8, 0.75, 0.35]);
    this.dress();
  }

  // Back alone: another scan is shown, so nothing of the saddle is true of it.
  bare() {
    this.fields = {};
    if (!this.renderer) return;
    for (const which of Object.keys(this.sides)) for (const name of ['field', 'rim', 'panels', 'arch']) this.put(which, name, null);
    this.draw();
  }

  setField(message) {
    this.fields[message.which] = message;
    if (this.renderer) { this.paint(message.which); this.draw(); }
  }

  setColours(tables) {
    this.colours = Object.fromEntries(Object.entries(tables).map(([name, list]) => [name, list.map(colour)]));
    for (const which of Object.keys(this.fields)) if (this.renderer) this.paint(which);
  }

  paint(which) {
    const message = this.fields[which];
    if (!message || !this.colours) return;
    const [along, across] = message.grid, { feet, pressure, gap, panels } = message;
    const showing = this.mode === 'pressure' || this.mode === 'gap';
    const table = this.colours[this.mode === 'gap' ? 'signed' : 'pressure'];
    const lit = which === 'now' ? this.litNodes : null;
    const share = node => this.mode === 'gap' ? (gap[node] / message.gap_mm + 1) / 2 : pressure[node] / message.top_kpa;
    const seen = node => !Number.isNaN(feet[3 * node]) && !Number.isNaN(pressure[node]);
    const touches = node => this.mode === 'gap' || pressure[node] > TOUCHING_KPA;
    const paints = new Float32Array(feet.length), glow = colour(css('--accent'));
    for (let node = 0; node < pressure.length; node++) {
      const step = Math.min(table.length - 1, Math.max(0, Math.round(share(node) * (table.length - 1))));
      let paint = touches(node) ? table[step] : colour(css('--horse'));
      if (lit?.[node]) paint = paint.clone().lerp(glow, 0.55);
      paint.toArray(paints, 3 * node);
    }
    const patch = geometry(feet, gridIndex(along, across, seen));
    patch.setAttribute('color', new THREE.BufferAttribute(paints, 3));
    this.put(which, 'field', new THREE.Mesh(patch, new THREE.MeshBasicMaterial({ vertexColors: true, side: THREE.DoubleSide })));
    this.sides[which].parts.field.visible = showing || Boolean(lit);
    const finite = rim(along, across), pairs = [];
    for (let k = 0; k < finite.length; k += 2) if (seen(finite[k]) && seen(finite[k + 1])) pairs.push(finite[k], finite[k + 1]);
    this.put(which, 'rim', new THREE.LineSegments(geometry(feet, pairs), new THREE.LineBasicMaterial({ color: colour(css('--ink')) })));
    this.sides[which].parts.rim.visible = showing;
    const body = geometry(panels, gridIndex(along, across, () => true));
    const bow = geometry(message.arch, stripIndex(message.arch.length / 6));
    const leather = new THREE.MeshStandardMaterial({
      color: colour(css('--accent')), roughness: 0.9, side: THREE.DoubleSide, transparent: true, opacity: 0.45, depthWrite: false });
    for (const [name, shape] of [['panels', body], ['arch', bow]]) {
      shape.computeVertexNormals();
      this.put(which, name, new THREE.Mesh(shape, leather));
      this.sides[which].parts[name].visible = this.saddle;
    }
  }

  dress() {
    if (!this.renderer) return;
    for (const { parts } of Object.values(this.sides)) {
      parts.back?.material.color.set(css('--horse'));
      parts.lines?.material.color.set(css('--ink'));
    }
    this.show({});
  }

  // mode: bare | sections | gap | pressure. compare: one | beside | slider.
  show({ mode = this.mode, saddle = this.saddle, compare = this.compare, wipe = this.wipe, marks = this.marksShown }) {
    const narrower = (compare === 'beside') - (this.compare === 'beside');
    Object.assign(this, { mode, saddle, compare, wipe, marksShown: marks });
    if (!this.renderer) return;
    if (narrower) this.refit();
    for (const which of Object.keys(this.sides)) {
      this.paint(which);
      const { parts } = this.sides[which];
      if (parts.lines) parts.lines.visible = mode === 'sections';
    }
    this.setMarks(this.marks);
  }

  light(nodes, rings) {
    this.litNodes = nodes && nodes.some(value => value > 0) ? nodes : null;
    this.rings = rings;
    if (!this.renderer) return;
    this.paint('now');
    this.setMarks(this.marks);
  }

  // Landmarks as dots, rings as larger ones; only where they are asked for.
  setMarks(rows) {
    this.marks = rows;
    if (!this.renderer) return;
    for (const which of Object.keys(this.sides)) {
      const group = new THREE.Scene();
      const dot = (point, size, paint, see = 1) => {
        const made = new THREE.Mesh(new THREE.SphereGeometry(size, 20, 14),
          new THREE.MeshBasicMaterial({ color: colour(paint), transparent: see < 1, opacity: see }));
        made.position.set(...point);
        group.add(made);
      };
      if (this.marksShown) for (const mark of rows) dot(mark.point, 9, css(mark.source === 'estimated' ? '--soft' : '--accent'));
      for (const point of this.rings) {
        const made = new THREE.Mesh(annulus(RING_MM, RING_MM + 8), new THREE.MeshBasicMaterial({ color: colour(css('--accent')), side: THREE.DoubleSide, depthTest: false }));
        made.position.set(...point);
        made.renderOrder = 2;
        made.onBeforeRender = (_, __, camera) => { made.quaternion.copy(camera.quaternion); made.updateMatrixWorld(); made.modelViewMatrix.multiplyMatrices(camera.matrixWorldInverse, made.matrixWorld); };
        group.add(made);
      }
      for (const pick of this.picked) dot(pick, 8, css('--ink'));
      this.put(which, 'marks', group);
    }
    this.draw();
  }

  setPicked(points) { this.picked = points; this.setMarks(this.marks); }

  look(name, way = LOOKS[name]) {
    if (!this.back) return;
    const { min, max } = this.back.boundingBox, center = this.back.boundingSphere.center;
    this.aim();
    const out = new THREE.Vector3(...way).normalize();
    const right = new THREE.Vector3(0, 1, 0).cross(out).normalize(), up = out.clone().cross(right);
    const tall = Math.tan(this.camera.fov * Math.PI / 360), wide = tall * this.camera.aspect;
    let away = 0; // so far that every corner of the horse's box is in the picture
    for (const x of [min.x, max.x]) for (const y of [min.y, max.y]) for (const z of [min.z, max.z]) {
      const corner = new THREE.Vector3(x, y, z).sub(center), near = corner.dot(out);
      away = Math.max(away, near + Math.abs(corner.dot(right)) / wide, near + Math.abs(corner.dot(up)) / tall);
    }
    this.controls.target.copy(center);
    this.camera.position.copy(center).addScaledVector(out, away);
    this.controls.update();
    this.draw();
  }

  // The whole horse from where one looks, when the picture became narrower or wider.
  refit() { this.look('', this.camera.position.clone().sub(this.controls.target).toArray()); }

  turn(right, up, nearer) {
    const arm = this.camera.position.clone().sub(this.controls.target), length = arm.length() * nearer;
    const round = Math.atan2(arm.x, arm.z) + right, rise = Math.min(1.5, Math.max(-0.6, Math.asin(arm.y / arm.length()) + up));
    this.camera.position.copy(this.controls.target).add(new THREE.Vector3(
      Math.cos(rise) * Math.sin(round), Math.sin(rise), Math.cos(rise) * Math.cos(round)).multiplyScalar(length));
    this.controls.update();
    this.draw();
  }

  aim() {
    const { clientWidth: width, clientHeight: height } = this.canvas.parentElement;
    this.size = [width, height];
    this.camera.aspect = Math.max((this.compare === 'beside' ? width / 2 : width) / Math.max(height, 1), 0.1);
    this.camera.updateProjectionMatrix();
    this.camera.updateMatrixWorld();
  }

  draw() {
    if (!this.renderer || this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.aim();
      const [width, height] = this.size, ratio = Math.min(devicePixelRatio, 2);
      if (this.sized !== `${width} ${height} ${ratio}`) {
        this.sized = `${width} ${height} ${ratio}`;
        this.renderer.setPixelRatio(ratio);
        this.renderer.setSize(width, height, false);
      }
      const half = Math.round(width / 2), cut = Math.round(width * this.wipe);
      if (this.compare === 'beside') { this.part('beside', [0, half], [0, half]); this.part('now', [half, width - half], [half, width - half]); }
      else if (this.compare === 'slider') { this.part('beside', [0, width], [0, cut]); this.part('now', [0, width], [cut, width - cut]); }
      else this.part('now', [0, width], [0, width]);
      this.canvas.dataset.drawn = Number(this.canvas.dataset.drawn || 0) + 1;
    });
  }

  part(which, [left, wide], [from, some]) {
    const height = this.size[1];
    this.renderer.setViewport(left, 0, wide, height);
    this.renderer.setScissor(from, 0, some, height);
    if (some > 0) this.renderer.render(this.sides[which].scene, this.camera);
  }

  // Which side of the comparison lies under the pointer, and where, as the camera counts.
  under(event) {
    const box = this.canvas.getBoundingClientRect();
    const x = event.clientX - box.left, y = event.clientY - box.top, [width, height] = this.size;
    const right = this.compare === 'beside' ? x >= width / 2 : x >= width * this.wipe;
    const which = this.compare === 'one' || right ? 'now' : 'beside';
    const local = this.compare === 'beside' ? (x % (width / 2)) / (width / 2) : x / width;
    return { which, at: new THREE.Vector2(2 * local - 1, 1 - 2 * y / height), x, y };
  }

  hit(event) {
    if (!this.back) return null;
    const { which, at } = this.under(event);
    this.ray.setFromCamera(at, this.camera);
    const { parts } = this.sides[which];
    const objects = [parts.back, parts.panels?.visible ? parts.panels : null].filter(Boolean);
    const [first] = this.ray.intersectObjects(objects, false);
    return first ? { which, point: first.point.toArray() } : null;
  }

  onBack(event) {
    this.ray.setFromCamera(this.under(event).at, this.camera);
    const [first] = this.ray.intersectObject(this.sides.now.parts.back, false);
    return first ? first.point.toArray() : null;
  }

  grabbed(event) {
    if (!this.marksShown) return null;
    const { at } = this.under(event), [width, height] = this.size;
    const wide = this.compare === 'beside' ? width / 2 : width;
    let best = null, least = NEAR_PX;
    for (const mark of this.marks) {
      const seen = new THREE.Vector3(...mark.point).project(this.camera);
      const away = Math.hypot((seen.x - at.x) * wide / 2, (seen.y - at.y) * height / 2);
      if (away < least) [best, least] = [mark, away];
    }
    return best;
  }

  // Where a landmark lies on the screen, for whoever cannot see the canvas.
  onScreen(name) {
    const mark = this.marks.find(one => one.name === name);
    if (!mark || !this.renderer) return null;
    const box = this.canvas.getBoundingClientRect(), seen = new THREE.Vector3(...mark.point).project(this.camera);
    const wide = this.compare === 'beside' ? box.width / 2 : box.width;
    return { x: box.left + (seen.x + 1) / 2 * wide, y: box.top + (1 - seen.y) / 2 * box.height };
  }

  listen() {
    const { canvas } = this;
    let start = null, held = null, last = null;
    canvas.addEventListener('pointerdown', event => {
      held = event.isPrimary ? this.grabbed(event) : null;
      start = event.isPrimary ? event : null;
      if (held) { this.controls.enabled = false; canvas.setPointerCapture(event.pointerId); event.stopImmediatePropagation(); }
    }, true);
    canvas.addEventListener('pointermove', event => {
      if (!held) return;
      last = this.onBack(event);
      if (!last) return;
      this.marks = this.marks.map(mark => mark.name === held.name ? { ...mark, point: last } : mark);
      this.setMarks(this.marks);
      this.moving(held.name, last);
    });
    const end = event => {
      this.controls.enabled = true;
      if (held && last) this.moved(held.name, last);
      else if (start && !held && Math.hypot(event.clientX - start.clientX, event.clientY - start.clientY) < STILL_PX) {
        const found = this.hit(event);
        if (found) this.tapped(found.point, found.which);
      }
      start = held = last = null;
    };
    canvas.addEventListener('pointerup', end);
    canvas.addEventListener('pointercancel', () => { this.controls.enabled = true; start = held = last = null; });
    canvas.addEventListener('keydown', event => {
      const step = { ArrowLeft: [-0.12, 0, 1], ArrowRight: [0.12, 0, 1], ArrowUp: [0, 0.1, 1], ArrowDown: [0, -0.1, 1],
        '+': [0, 0, 0.88], '=': [0, 0, 0.88], '-': [0, 0, 1.14] }[event.key];
      if (!step) return;
      event.preventDefault();
      this.turn(...step);
    });
  }
}
