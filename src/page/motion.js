// The view of a skin in motion: WebGL 2, nothing else. The form of its data is described in motion.rs.
(() => {
  'use strict';

  // Faces that meet at more than this in bind pose keep a crease, as in stills.
  const CREASE = Math.cos((62 * Math.PI) / 180);
  const TWEEN_MS = 350;
  const PLAY_MS = 1400;
  const WAYS = ['reference', 'baked', 'difference'];
  const HOME = { height: 0.14, zoom: 1, shift: [0, 0] };
  const PAPER = [0.98, 0.976, 0.965];

  const VERTEX = `#version 300 es
    in vec3 place; in vec3 normal; in float share;
    uniform mat3 axes; uniform vec2 middle; uniform vec2 scale;
    out vec3 n; out float s;
    void main() {
      vec3 p = place * axes;
      n = normal * axes; s = share;
      gl_Position = vec4((p.xy - middle) * scale, -p.z * 0.25, 1.0);
    }`;
  // Soft light as in stills: a large lamp over the left shoulder, a little sky, less where the surface turns away.
  const FRAGMENT = `#version 300 es
    precision highp float;
    in vec3 n; in float s;
    uniform sampler2D ramp; uniform bool figures; uniform bool mirrored;
    out vec4 colour;
    vec3 linear(vec3 c) { return mix(c / 12.92, pow((c + 0.055) / 1.055, vec3(2.4)), step(0.04045, c)); }
    vec3 encoded(vec3 c) { return mix(c * 12.92, 1.055 * pow(c, vec3(1.0 / 2.4)) - 0.055, step(0.0031308, c)); }
    void main() {
      vec3 m = normalize(n);
      bool back = gl_FrontFacing == mirrored;
      if (back) m = -m;
      float lamp = max((dot(m, vec3(-0.43, 0.56, 0.708)) + 0.45) / 1.45, 0.0);
      float light = (0.12 + 0.40 * lamp + 0.44 * lamp * lamp + 0.18 * (0.5 + 0.5 * m.y)) * (0.72 + 0.28 * max(m.z, 0.0));
      vec3 c = linear(vec3(201.0, 190.0, 176.0) / 255.0) * light;
      if (figures) {
        vec3 r = texture(ramp, vec2((clamp(s, 0.0, 1.0) * 255.0 + 0.5) / 256.0, 0.5)).rgb;
        c = linear(r) * (1.0 - 0.36 * (1.0 - min(light, 1.0)));
      }
      colour = vec4(encoded(clamp(c * (back ? 0.55 : 1.0), 0.0, 1.0)), 1.0);
    }`;

  for (const root of document.querySelectorAll('.motion')) {
    try {
      start(root);
    } catch (error) {
      fall(root, `The view in motion cannot be shown here (${error.message}): here is a still of the worst pose.`);
    }
  }

  // Leaves, or puts back, the still in the place of the view.
  function fall(root, why) {
    root.querySelector('.motion-live').hidden = true;
    root.querySelector('.motion-still').hidden = false;
    root.querySelector('.motion-why').textContent = why;
  }

  function bytes(text) {
    const raw = atob(text);
    const out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out.buffer;
  }

  function start(root) {
    const find = (name) => root.querySelector(`.motion-${name}`);
    const canvas = find('canvas');
    const gl = canvas.getContext('webgl2', { antialias: true, alpha: false, preserveDrawingBuffer: true });
    if (!gl) throw new Error('no WebGL 2');
    const skin = read(JSON.parse(find('data').textContent));
    const shape = split(skin);
    skin.bounds = extent(skin);
    // What is long from front to back is seen from its side.
    skin.around = skin.bounds.deep > 1.4 * skin.bounds.height ? 1.1 : 0.4;
    // What is drawn of each of the two shapes: places and normals of split vertices, and the share of the ramp.
    const drawn = { reference: room(shape.count), baked: room(shape.count), shares: new Float32Array(shape.count) };
    const state = { pose: 0, from: null, began: 0, way: 'all', playing: 0, asked: false, around: skin.around, ...HOME };
    const still = matchMedia('(prefers-reduced-motion: reduce)');
    let picture = null;

    find('still').hidden = true;
    find('live').hidden = false;
    const figure = find('still').querySelector('figure');
    const stills = document.getElementById(root.dataset.stills);
    if (figure && stills) stills.querySelector('div').prepend(figure);
    legend(find('bar'), find('marks'), skin);
    picture = prepared();
    set(0, false);

    canvas.addEventListener('webglcontextlost', (event) => event.preventDefault());
    canvas.addEventListener('webglcontextrestored', () => {
      picture = prepared();
      ask();
    });
    new ResizeObserver(ask).observe(canvas);
    find('slider').addEventListener('input', (event) => choose(Number(event.target.value)));
    find('name').addEventListener('change', (event) => choose(Number(event.target.value)));
    find('back').addEventListener('click', () => choose(state.pose - 1));
    find('next').addEventListener('click', () => choose(state.pose + 1));
    find('play').addEventListener('click', () => play(!state.playing));
    find('reset').addEventListener('click', home);
    find('ways').addEventListener('change', (event) => {
      state.way = event.target.value;
      ask();
      tell();
    });
    orbit();
    // For checks: what is shown, in mesh space, and in which pose.
    root.tanyard = { pose: () => state.pose, positions: (way) => skin.at(state.pose)[way], settled: () => !state.from };

    function prepared() {
      return { ...prepare(gl, skin, shape), name };
    }

    // Says what each panel shows.
    function name(ways, beside) {
      const names = find('names');
      names.classList.toggle('motion-below', !beside);
      const said = ways.join();
      if (names.dataset.said === said) return;
      names.dataset.said = said;
      names.replaceChildren(...ways.map((way) => Object.assign(document.createElement('span'), { textContent: way })));
    }

    function choose(pose) {
      play(false);
      set((pose + skin.poses.length) % skin.poses.length, true);
    }

    function play(on) {
      clearInterval(state.playing);
      // Nobody wants every pose read out.
      find('say').setAttribute('aria-live', on ? 'off' : 'polite');
      const step = () => set((state.pose + 1) % skin.poses.length, true);
      state.playing = on ? setInterval(step, PLAY_MS) : 0;
      find('play').textContent = on ? 'Pause' : 'Play';
      find('play').setAttribute('aria-pressed', String(on));
    }

    function set(pose, moves) {
      state.from = moves && !still.matches ? { ...skin.at(state.pose) } : null;
      state.began = performance.now();
      state.pose = pose;
      find('slider').value = pose;
      find('name').value = pose;
      place(1);
      tell();
      ask();
    }

    // Puts the two shapes in place, a share of the way from the last pose to this one.
    function place(share) {
      const to = skin.at(state.pose);
      if (share >= 1) state.from = null;
      for (const way of ['reference', 'baked']) {
        const from = state.from ? state.from[way] : to[way];
        fill(drawn[way], to[way], from, share, shape, skin);
      }
      for (let i = 0; i < shape.count; i++) {
        const v = 3 * shape.vertex[i];
        const dx = to.reference[v] - to.baked[v];
        const dy = to.reference[v + 1] - to.baked[v + 1];
        const dz = to.reference[v + 2] - to.baked[v + 2];
        drawn.shares[i] = ((100 * Math.hypot(dx, dy, dz)) / skin.diagonal) / skin.top_percent;
      }
    }

    function tell() {
      const pose = skin.poses[state.pose];
      const kind = pose.held_out === null ? 'bind pose' : pose.held_out ? 'held-out pose' : 'pose of the fit';
      const rms = `rms ${pose.rms_percent.toFixed(3)} % of size (${digits(pose.rms_percent * skin.unit)} units)`;
      const name = pose.held_out === null ? 'bind' : pose.name;
      const text = `${name}: ${kind}, ${rms}`;
      find('say').textContent = text;
      root.classList.toggle('motion-between', Boolean(state.from));
      find('slider').setAttribute('aria-valuetext', text);
      const ways = state.way === 'all' ? 'Reference, baked and difference' : state.way;
      canvas.setAttribute('aria-label', `${ways} of the character in ${text}`);
    }

    function ask() {
      if (!state.asked) requestAnimationFrame(frame);
      state.asked = true;
    }

    function frame(now) {
      state.asked = false;
      if (state.from) {
        const t = Math.min((now - state.began) / TWEEN_MS, 1);
        place(t < 1 ? t * t * (3 - 2 * t) : 1);
        if (state.from) ask();
        else tell();
      }
      const ratio = window.devicePixelRatio || 1;
      const [width, height] = [canvas.clientWidth, canvas.clientHeight].map((side) => Math.max(1, Math.round(side * ratio)));
      if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
      if (!gl.isContextLost()) paint(gl, picture, drawn, state, skin, [width, height]);
    }

    function home() {
      Object.assign(state, HOME, { around: skin.around });
      ask();
    }

    function turn(dx, dy) {
      state.around -= dx;
      state.height = Math.min(1.5, Math.max(-1.5, state.height + dy));
      ask();
    }

    function zoom(by) {
      state.zoom = Math.min(20, Math.max(0.4, state.zoom * by));
      ask();
    }

    function orbit() {
      const held = new Map();
      const gap = () => {
        const [a, b] = [...held.values()];
        return Math.hypot(a[0] - b[0], a[1] - b[1]);
      };
      canvas.addEventListener('pointerdown', (event) => {
        canvas.setPointerCapture(event.pointerId);
        held.set(event.pointerId, [event.clientX, event.clientY]);
      });
      canvas.addEventListener('pointermove', (event) => {
        const last = held.get(event.pointerId);
        if (!last) return;
        const before = held.size === 2 ? gap() : 0;
        held.set(event.pointerId, [event.clientX, event.clientY]);
        const [dx, dy] = [event.clientX - last[0], event.clientY - last[1]];
        if (held.size === 2) zoom(gap() / Math.max(before, 1));
        else if (event.shiftKey) {
          const height = canvas.clientHeight * state.zoom;
          state.shift = [state.shift[0] + dx / height, state.shift[1] + dy / height];
          ask();
        } else turn(dx * 0.01, dy * 0.01);
      });
      for (const end of ['pointerup', 'pointercancel']) canvas.addEventListener(end, (event) => held.delete(event.pointerId));
      canvas.addEventListener('dblclick', home);
      canvas.addEventListener('wheel', (event) => {
        // Without focus the page scrolls.
        if (document.activeElement !== canvas) return;
        event.preventDefault();
        zoom(Math.exp(-event.deltaY * 0.0015));
      }, { passive: false });
      const keys = {
        ArrowLeft: () => turn(-0.15, 0), ArrowRight: () => turn(0.15, 0), ArrowUp: () => turn(0, 0.12),
        ArrowDown: () => turn(0, -0.12), '+': () => zoom(1.2), '=': () => zoom(1.2), '-': () => zoom(1 / 1.2), Home: home,
      };
      canvas.addEventListener('keydown', (event) => {
        const act = keys[event.key];
        if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
        event.preventDefault();
        act();
      });
    }
  }

  // Decodes the data; `at(pose)` gives positions in mesh space, worked out when first asked for.
  function read(data) {
    const places = new Uint16Array(bytes(data.positions));
    const rest = new Float32Array(places.length);
    for (let i = 0; i < rest.length; i++) rest[i] = data.low[i % 3] + data.step[i % 3] * places[i];
    const Corners = data.vertices <= 65536 ? Uint16Array : Uint32Array;
    const joints = new Uint16Array(bytes(data.weight_joints));
    const weights = new Uint16Array(bytes(data.weights));
    const known = new Map();
    const at = (pose) => {
      if (!known.has(pose)) known.set(pose, posed(data.poses[pose]));
      return known.get(pose);
    };
    function posed(pose) {
      const m = new Float32Array(bytes(pose.matrices));
      const off = new Int8Array(bytes(pose.off));
      const baked = new Float32Array(rest.length);
      const reference = new Float32Array(rest.length);
      for (let v = 0; v < data.vertices; v++) {
        const [x, y, z] = [rest[3 * v], rest[3 * v + 1], rest[3 * v + 2]];
        for (let slot = v * data.slots; slot < (v + 1) * data.slots; slot++) {
          const w = weights[slot] / 65535;
          if (w === 0) continue;
          const j = 12 * joints[slot];
          for (let i = 0; i < 3; i++) {
            const r = j + 4 * i;
            baked[3 * v + i] += w * (m[r] * x + m[r + 1] * y + m[r + 2] * z + m[r + 3]);
          }
        }
        for (let i = 3 * v; i < 3 * v + 3; i++) reference[i] = baked[i] + (off[i] * Math.abs(off[i]) * pose.off_most) / 16129;
      }
      return { baked, reference };
    }
    const low = [Infinity, Infinity, Infinity];
    const high = [-Infinity, -Infinity, -Infinity];
    const triangles = new Corners(bytes(data.corners));
    for (const v of triangles) {
      for (let i = 0; i < 3; i++) {
        low[i] = Math.min(low[i], rest[3 * v + i]);
        high[i] = Math.max(high[i], rest[3 * v + i]);
      }
    }
    const length = Math.max(...data.to_scene.map((row) => Math.hypot(...row))) * data.diagonal || 1;
    const rows = data.to_scene.map((row) => row.map((x) => x / length));
    const [a, b, c] = rows;
    const determinant = a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0]) + a[2] * (b[0] * c[1] - b[1] * c[0]);
    const middle = low.map((x, i) => (Number.isFinite(x) ? (x + high[i]) / 2 : 0));
    return { ...data, rest, corners: triangles, at, rows, middle, mirrored: determinant < 0 };
  }

  // Splits vertices at creases of the bind shape: a number for each corner, and the vertex of each number.
  function split(skin) {
    const { corners, rest } = skin;
    const normals = new Float32Array(corners.length);
    for (let t = 0; t < corners.length; t += 3) face(rest, corners, t, normals, true);
    const parent = new Uint32Array(corners.length).map((_, i) => i);
    const top = (i) => {
      while (parent[i] !== i) i = parent[i] = parent[parent[i]];
      return i;
    };
    const join = (i, k) => {
      const [a, b] = [top(i), top(k)];
      parent[Math.max(a, b)] = Math.min(a, b);
    };
    const edges = new Map();
    for (let c = 0; c < corners.length; c++) {
      const t = c - (c % 3);
      const d = t + ((c + 1) % 3);
      const [from, to] = [corners[c], corners[d]];
      const other = edges.get(to * skin.vertices + from);
      if (!other) {
        edges.set(from * skin.vertices + to, [c, d]);
        continue;
      }
      edges.delete(to * skin.vertices + from);
      const u = other[0] - (other[0] % 3);
      const cos = normals[t] * normals[u] + normals[t + 1] * normals[u + 1] + normals[t + 2] * normals[u + 2];
      const flat = (f) => normals[f] === 0 && normals[f + 1] === 0 && normals[f + 2] === 0;
      if (cos >= CREASE || flat(t) || flat(u)) {
        join(c, other[1]);
        join(d, other[0]);
      }
    }
    const number = new Map();
    const of = new Uint32Array(corners.length);
    const vertex = [];
    for (let c = 0; c < corners.length; c++) {
      const i = top(c);
      if (!number.has(i)) {
        number.set(i, vertex.length);
        vertex.push(corners[c]);
      }
      of[c] = number.get(i);
    }
    return { of, vertex: Uint32Array.from(vertex), count: vertex.length };
  }

  // The normal of the face whose first corner is `t`, by area or of length one.
  function face(places, corners, t, out, one) {
    const [a, b, c] = [3 * corners[t], 3 * corners[t + 1], 3 * corners[t + 2]];
    const [ux, uy, uz] = [places[b] - places[a], places[b + 1] - places[a + 1], places[b + 2] - places[a + 2]];
    const [vx, vy, vz] = [places[c] - places[a], places[c + 1] - places[a + 1], places[c + 2] - places[a + 2]];
    const n = [uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx];
    const length = one ? Math.hypot(...n) || 1 : 1;
    for (let i = 0; i < 3; i++) out[t + i] = n[i] / length;
  }

  function room(count) {
    return { places: new Float32Array(3 * count), normals: new Float32Array(3 * count), faces: null };
  }

  // Fills places and normals of split vertices, about the middle, in scene directions and sizes of the skin.
  function fill(into, to, from, share, shape, skin) {
    const { rows, middle } = skin;
    for (let i = 0; i < shape.count; i++) {
      const v = 3 * shape.vertex[i];
      let [x, y, z] = [to[v], to[v + 1], to[v + 2]];
      if (share < 1) {
        x = from[v] + share * (x - from[v]);
        y = from[v + 1] + share * (y - from[v + 1]);
        z = from[v + 2] + share * (z - from[v + 2]);
      }
      x -= middle[0];
      y -= middle[1];
      z -= middle[2];
      for (let k = 0; k < 3; k++) into.places[3 * i + k] = rows[k][0] * x + rows[k][1] * y + rows[k][2] * z;
    }
    into.faces ??= new Float32Array(shape.of.length);
    into.normals.fill(0);
    const sign = skin.mirrored ? -1 : 1;
    for (let t = 0; t < shape.of.length; t += 3) {
      face(into.places, shape.of, t, into.faces, false);
      for (let c = t; c < t + 3; c++) {
        for (let k = 0; k < 3; k++) into.normals[3 * shape.of[c] + k] += sign * into.faces[t + k];
      }
    }
  }

  function prepare(gl, skin, shape) {
    const program = gl.createProgram();
    for (const [kind, source] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, source);
      gl.compileShader(shader);
      gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program) || 'no program');
    gl.useProgram(program);
    const buffers = {};
    for (const [name, size] of [['place', 3], ['normal', 3], ['share', 1]]) {
      buffers[name] = gl.createBuffer();
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers[name]);
      const at = gl.getAttribLocation(program, name);
      gl.enableVertexAttribArray(at);
      gl.vertexAttribPointer(at, size, gl.FLOAT, false, 0, 0);
    }
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, shape.of, gl.STATIC_DRAW);
    gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGB8, 256, 1, 0, gl.RGB, gl.UNSIGNED_BYTE, new Uint8Array(bytes(skin.ramp)));
    for (const filter of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, filter, gl.LINEAR);
    gl.enable(gl.DEPTH_TEST);
    const uniform = (name) => gl.getUniformLocation(program, name);
    gl.uniform1i(uniform('mirrored'), skin.mirrored ? 1 : 0);
    return { buffers, uniform, count: shape.of.length };
  }

  // Draws the ways asked for: side by side where that is larger than one, below each other where not.
  function paint(gl, picture, drawn, state, skin, [width, height]) {
    const ways = state.way === 'all' ? WAYS : [state.way];
    const [sin, cos] = [Math.sin(state.around), Math.cos(state.around)];
    const [rise, level] = [Math.sin(state.height), Math.cos(state.height)];
    const toward = [sin * level, rise, cos * level];
    const right = [cos, 0, -sin];
    const up = [toward[1] * right[2] - toward[2] * right[1], toward[2] * right[0] - toward[0] * right[2],
      toward[0] * right[1] - toward[1] * right[0]];
    const { middle, reach, height: tall } = skin.bounds;
    const along = (axis) => middle[0] * axis[0] + middle[1] * axis[1] + middle[2] * axis[2];
    const fits = (w, h) => Math.min(w / (2 * reach), h / (tall * level + 2 * reach * Math.abs(rise)));
    const count = ways.length;
    const beside = fits(width / count, height) >= fits(width, height / count);
    const [w, h] = beside ? [width / count, height] : [width, height / count];
    const scale = fits(w, h) * 0.9 * state.zoom;
    gl.uniformMatrix3fv(picture.uniform('axes'), false, [...right, ...up, ...toward]);
    const drift = [state.shift[0] * height * state.zoom / scale, -state.shift[1] * height * state.zoom / scale];
    gl.uniform2f(picture.uniform('middle'), along(right) - drift[0], along(up) - drift[1]);
    gl.uniform2f(picture.uniform('scale'), (2 * scale) / w, (2 * scale) / h);
    gl.disable(gl.SCISSOR_TEST);
    gl.clearColor(...PAPER, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.SCISSOR_TEST);
    const load = (name, values) => {
      gl.bindBuffer(gl.ARRAY_BUFFER, picture.buffers[name]);
      gl.bufferData(gl.ARRAY_BUFFER, values, gl.DYNAMIC_DRAW);
    };
    load('share', drawn.shares);
    picture.name(ways, beside);
    ways.forEach((way, place) => {
      const at = beside ? [place * w, 0] : [0, height - (place + 1) * h];
      const area = [at[0], at[1], w, h].map(Math.round);
      gl.viewport(...area);
      gl.scissor(...area);
      const from = way === 'reference' ? drawn.reference : drawn.baked;
      load('place', from.places);
      load('normal', from.normals);
      // Between poses there is no figure to show.
      gl.uniform1i(picture.uniform('figures'), way === 'difference' && !state.from ? 1 : 0);
      gl.drawElements(gl.TRIANGLES, picture.count, gl.UNSIGNED_INT, 0);
    });
  }

  // The room that all poses take, whichever way they are turned about: so that neither poses nor turning zoom.
  function extent(skin) {
    const low = [Infinity, Infinity, Infinity];
    const high = [-Infinity, -Infinity, -Infinity];
    const used = new Uint8Array(skin.vertices);
    for (const v of skin.corners) used[v] = 1;
    const each = (act) => skin.poses.forEach((_, pose) => {
      for (const places of Object.values(skin.at(pose))) {
        for (let v = 0; v < skin.vertices; v++) if (used[v]) act(scene(skin, places, 3 * v));
      }
    });
    each((p) => {
      for (let i = 0; i < 3; i++) {
        low[i] = Math.min(low[i], p[i]);
        high[i] = Math.max(high[i], p[i]);
      }
    });
    const middle = low.map((x, i) => (x + high[i]) / 2 || 0);
    let reach = 0;
    each((p) => (reach = Math.max(reach, Math.hypot(p[0] - middle[0], p[2] - middle[2]))));
    return { middle, reach: reach || 0.5, deep: high[2] - low[2], height: Math.max(high[1] - low[1], 1e-6) || 1 };
  }

  // Where a point of mesh space, or one between two, is in scene directions, about the middle and in sizes of the skin.
  function scene({ rows, middle }, places, v) {
    const [x, y, z] = [places[v] - middle[0], places[v + 1] - middle[1], places[v + 2] - middle[2]];
    return rows.map((row) => row[0] * x + row[1] * y + row[2] * z);
  }

  function legend(bar, marks, skin) {
    const ramp = new Uint8Array(bytes(skin.ramp));
    const stops = [];
    for (let i = 0; i < 256; i += 15) stops.push(`rgb(${ramp[3 * i]}, ${ramp[3 * i + 1]}, ${ramp[3 * i + 2]})`);
    bar.style.background = `linear-gradient(to right, ${stops.join(', ')})`;
    for (let i = 0; i <= 4; i++) {
      const percent = (skin.top_percent * i) / 4;
      const mark = document.createElement('span');
      mark.textContent = `${digits(percent)} %${i === 4 ? ` of size and more (${digits(percent * skin.unit)} units)` : ''}`;
      marks.append(mark);
    }
  }

  // A figure with three digits that count.
  function digits(value) {
    return value === 0 ? '0' : String(Number(value.toPrecision(3)));
  }
})();
