// A view that turns: the back in the colours of its pressure, before and after, the saddle's panels on or off.
// It draws what it was given and works nothing out. Where it cannot draw, the still pictures stay.
(() => {
  const holder = document.getElementById('turn');
  const stage = holder.querySelector('.stage');
  const given = JSON.parse(document.getElementById('turn-data').textContent);
  const bytes = text => Uint8Array.from(atob(text), letter => letter.charCodeAt(0)).buffer;
  const numbers = (part, key) => new (part.bits === 16 ? Uint16Array : Uint32Array)(bytes(part[key]));
  const geometry = part => {
    const made = new THREE.BufferGeometry();
    const points = Float32Array.from(new Int16Array(bytes(part.points)), tenth => tenth / 10000); // of a mm → metres
    made.setAttribute('position', new THREE.BufferAttribute(points, 3));
    made.setIndex(new THREE.BufferAttribute(numbers(part, 'triangles'), 1));
    made.computeVertexNormals();
    return made;
  };
  const material = look => new THREE.MeshStandardMaterial({
    roughness: 1, side: THREE.DoubleSide, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 2, ...look,
  });

  let renderer;
  try {
    renderer = new THREE.WebGLRenderer({ antialias: true, alpha: true });
  } catch {
    return;
  }
  const canvas = renderer.domElement;
  canvas.tabIndex = 0;
  canvas.setAttribute('role', 'img');
  canvas.setAttribute('aria-label', 'The back with its pressures, to be turned by dragging or by the arrow keys');
  stage.append(canvas);
  const turns = able => holder.classList.toggle('turns', able);
  canvas.addEventListener('webglcontextlost', () => turns(false));
  canvas.addEventListener('webglcontextrestored', () => turns(true));
  turns(true);

  const scene = new THREE.Scene();
  const lamp = new THREE.DirectionalLight(0xffffff, 1.3);
  scene.add(new THREE.HemisphereLight(0xffffff, 0x9a948a, 1.8), lamp);
  const back = new THREE.Mesh(geometry(given.back), material({ vertexColors: true }));
  const panels = new THREE.Mesh(geometry(given.underside), material({ color: 0x6e2a1c, transparent: true, opacity: 0.5 }));
  panels.position.y = 0.002; // so that what touches the back is not drawn into it
  panels.visible = false;
  const sections = new THREE.BufferGeometry();
  sections.setAttribute('position', back.geometry.getAttribute('position'));
  sections.setIndex(new THREE.BufferAttribute(numbers(given.back, 'lines'), 1));
  scene.add(back, panels, new THREE.LineSegments(sections, new THREE.LineBasicMaterial({ color: 0x9aa1a8 })));
  back.geometry.computeBoundingSphere();
  const { center, radius } = back.geometry.boundingSphere;

  const camera = new THREE.PerspectiveCamera(30, 1, 0.05, 20);
  // a wheel scrolls the page until the picture was chosen by a click or by the tab key
  canvas.addEventListener('wheel', event => {
    if (document.activeElement !== canvas) event.stopImmediatePropagation();
  }, { capture: true });
  const controls = new THREE.OrbitControls(camera, canvas);
  controls.target.copy(center);
  controls.enablePan = false;
  controls.minDistance = 0.5 * radius;
  controls.maxDistance = 8 * radius;
  const word = stage.querySelector('.head');
  const draw = () => {
    lamp.position.copy(camera.position).add(new THREE.Vector3(0.6, 1.6, 0.3));
    renderer.render(scene, camera);
    const at = new THREE.Vector3(...given.head).project(camera);
    word.style.left = `${Math.min(Math.max(50 + 50 * at.x, 4), 96)}%`;
    word.style.top = `${Math.min(Math.max(50 - 50 * at.y, 4), 96)}%`;
  };
  controls.addEventListener('change', draw);

  const away = () => radius / Math.sin(camera.fov * Math.PI / 360) / Math.min(camera.aspect, 1);
  const place = () => {
    const width = stage.clientWidth;
    const height = Math.round(Math.min(0.8 * width, 0.6 * window.innerHeight));
    if (!width || !height) return;
    renderer.setPixelRatio(Math.min(window.devicePixelRatio, 2));
    renderer.setSize(width, height);
    camera.aspect = width / height;
    camera.updateProjectionMatrix();
    draw();
  };
  const look = ([near, ...direction]) => {
    camera.position.copy(center).addScaledVector(new THREE.Vector3(...direction).normalize(), near * away());
    controls.update();
    draw();
  };
  const turn = (round, over, nearer) => {
    const arm = camera.position.clone().sub(center);
    const length = Math.min(Math.max(arm.length() * nearer, controls.minDistance), controls.maxDistance);
    const polar = Math.min(Math.max(Math.acos(arm.y / arm.length()) + over, 0.02), 2.4);
    const azimuth = Math.atan2(arm.x, arm.z) + round;
    arm.set(Math.sin(polar) * Math.sin(azimuth), Math.cos(polar), Math.sin(polar) * Math.cos(azimuth));
    camera.position.copy(center).addScaledVector(arm, length);
    controls.update();
    draw();
  };
  const keys = {
    ArrowLeft: [-0.12, 0, 1], ArrowRight: [0.12, 0, 1], ArrowUp: [0, -0.12, 1], ArrowDown: [0, 0.12, 1],
    '+': [0, 0, 0.9], '=': [0, 0, 0.9], '-': [0, 0, 1.1],
  };
  canvas.addEventListener('keydown', event => {
    if (!keys[event.key] || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    turn(...keys[event.key]);
  });

  const show = name => {
    back.geometry.setAttribute('color', new THREE.BufferAttribute(new Uint8Array(bytes(given.back.colours[name])), 3, true));
    for (const button of holder.querySelectorAll('[data-show]')) button.setAttribute('aria-pressed', button.dataset.show === name);
    draw();
  };
  // how near; left, up, forward; from above the head is up, so the eye lies a little behind
  const looks = { above: [1, 0, 1, -0.02], left: [0.8, 1, 0.4, 0], right: [0.8, -1, 0.4, 0], behind: [0.9, 0, 0.6, -1] };
  holder.addEventListener('click', event => {
    const button = event.target.closest('button');
    if (!button) return;
    if (button.dataset.show) show(button.dataset.show);
    if (button.dataset.look) look(looks[button.dataset.look]);
    if ('saddle' in button.dataset) {
      panels.visible = !panels.visible;
      button.setAttribute('aria-pressed', panels.visible);
      draw();
    }
  });
  window.addEventListener('resize', place);
  place();
  look([0.88, 0.45, 0.788, 0.42]);
  show(Object.keys(given.back.colours).at(-1));
})();
