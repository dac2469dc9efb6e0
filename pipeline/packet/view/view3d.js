// The 3D view of the packet page: which operation is shown, from where, and what of the rest. It draws only when
// something has changed. For scripts: window.billetwrightView = {step(n), nSteps, current(), rendered}, n from 1.
function billetwrightStart(T) {
  "use strict";

  var VIEWS = { // where the eye is, seen from the middle; north is up from above
    above: [0, -0.0001, 1], x: [1, 0, 0], y: [0, -1, 0], oblique: [-0.55, -1, 0.95]
  };
  var MARGIN = 0.92, ZOOM_STEP = 1.3, WHEEL_SPEED = 3, WALK_KEY = 0.01;
  var DASH_PX = [7, 5], DOT_PX = [2, 3], MOST_PIXEL_RATIO = 2, FULL_WEIGHT_PX = 700;
  var section = document.getElementById("view3d");
  var canvas = document.getElementById("view3d-canvas");
  var context = window.WebGL2RenderingContext && canvas.getContext("webgl2", { antialias: true });
  if (!context) return; // the sentence that says so is there already

  var scene = JSON.parse(document.getElementById("v3-scene").textContent);
  var made = billetwrightScene.build(scene, shown);
  var steps = made.steps;
  var state = { step: 0, walk: 0 }; // walk: mm along the path of the step
  var isOn = { billet: true, skin: true, bed: true, paths: true, all: false, only: false, cutter: true, names: true };
  var isPartOn = scene.parts.map(function () { return true; });

  function find(name) { return section.querySelector(name); }

  function element(name, text, properties) {
    var node = Object.assign(document.createElement(name), properties);
    if (text) node.textContent = text;
    return node;
  }

  // A length in the unit of the page, with all its places or some fewer.
  function shown(mm, fewer) {
    var text = (mm / scene.mmPerUnit).toFixed(scene.places - (fewer || 0));
    return Number(text) === 0 ? text.replace("-", "") : text;
  }

  // ---- the picture

  find(".v3-without").hidden = true;
  find(".v3-all").hidden = false;
  var renderer = new T.WebGLRenderer({ canvas: canvas, context: context });
  renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, MOST_PIXEL_RATIO));
  var camera = new T.OrthographicCamera(-1, 1, 1, -1, 0, 1); // its zoom is pixels per mm
  camera.up.set(0, 0, 1);
  var overlay = billetwrightOverlay(find(".v3-picture"), made.labels, scene);
  canvas.addEventListener("wheel", function (event) { // the page scrolls on, unless the picture was chosen
    if (document.activeElement !== canvas) event.stopImmediatePropagation();
    controls.zoomSpeed = WHEEL_SPEED;
  }, { capture: true });
  canvas.addEventListener("pointerdown", function () {
    canvas.focus({ preventScroll: true });
    controls.zoomSpeed = 1; // a pinch moves with the fingers
  });
  var controls = new T.OrbitControls(camera, canvas);
  Object.assign(controls, { enableDamping: false, zoomToCursor: true, minZoom: 0.3, maxZoom: 150 });
  var whole = corners(), size = { w: 0, h: 0 }, rendered = 0, isAsked = false, view = "oblique";
  var reach = 4 * new T.Box3().setFromPoints(whole).getSize(new T.Vector3()).length();

  // Points that hold all there is to see: billet, what stands on the bed, origin.
  function corners() {
    var found = [];
    function add(outline, height) {
      outline.forEach(function (p) {
        found.push(new T.Vector3(p[0], p[1], 0), new T.Vector3(p[0], p[1], height));
      });
    }
    add(scene.billet, scene.z.top);
    add([[-6, -6], [20, 0], [0, 20]], 20); // the arrows at the origin
    scene.blocks.forEach(function (block) { add(block.outline, block.height); });
    return found;
  }

  // The current part alone when only that is shown, else all.
  function extent() {
    var part = isOn.only && steps.length ? partOf(steps[state.step]) : -1;
    if (part < 0) return whole;
    var b = new T.Box3().setFromObject(made.parts[part]).expandByScalar(4), found = [];
    for (var k = 0; k < 8; k++) {
      found.push(new T.Vector3((k & 1 ? b.max : b.min).x, (k & 2 ? b.max : b.min).y, (k & 4 ? b.max : b.min).z));
    }
    return found;
  }

  function look(name) {
    view = name;
    controls.target.set(0, 0, 0);
    camera.position.fromArray(VIEWS[name]).setLength(reach);
    controls.update();
    fit();
    markView();
  }

  function markView() {
    section.querySelectorAll("[data-v3-view]").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset.v3View === view));
    });
  }

  // Keeps the direction; the middle of what is seen goes to the middle of the picture.
  function fit() {
    camera.updateMatrixWorld();
    var seen = new T.Box3();
    extent().forEach(function (p) { seen.expandByPoint(p.clone().applyMatrix4(camera.matrixWorldInverse)); });
    var half = seen.getSize(new T.Vector3()).multiplyScalar(0.5);
    var shift = seen.getCenter(new T.Vector3());
    shift.z += reach; // the eye stays this far in front of the middle
    shift.applyQuaternion(camera.quaternion);
    camera.position.add(shift);
    controls.target.add(shift);
    zoom(MARGIN * Math.min(size.w / half.x, size.h / half.y) / 2);
  }

  function zoom(pixelsPerMm) {
    camera.zoom = Math.min(Math.max(pixelsPerMm, controls.minZoom), controls.maxZoom);
    camera.updateProjectionMatrix();
    controls.update();
    ask();
  }

  function resize() {
    var w = canvas.clientWidth, h = canvas.clientHeight, isFirst = size.w === 0;
    if (!w || !h || (w === size.w && h === size.h)) return;
    var share = isFirst ? 1 : Math.min(w / size.w, h / size.h);
    size = { w: w, h: h };
    renderer.setSize(w, h, false);
    Object.assign(camera, { left: -w / 2, right: w / 2, top: h / 2, bottom: -h / 2, near: 0, far: 2 * reach });
    camera.updateProjectionMatrix();
    made.setWeight(Math.min(1, Math.max(0.55, w / FULL_WEIGHT_PX))); // else heavy lines run together
    if (isFirst) look(view); else zoom(camera.zoom * share);
  }

  function ask() {
    if (isAsked) return;
    isAsked = true;
    requestAnimationFrame(draw);
  }

  function draw() {
    isAsked = false;
    if (!size.w) return;
    var pens = made.pens;
    [[pens.currentRapid, DASH_PX], [pens.otherRapid, DASH_PX], [pens.gasket, DASH_PX], [pens.behind, DOT_PX]].forEach(
      function (row) { // dashes keep their length on the screen
        row[0].dashSize = row[1][0] / camera.zoom;
        row[0].gapSize = row[1][1] / camera.zoom;
      });
    renderer.render(made.root, camera);
    overlay.place(camera, size, { names: isOn.names, tip: made.cutter.visible && made.cutter.position });
    rendered += 1;
  }

  // ---- what is shown

  function partOf(step) {
    return scene.parts.findIndex(function (part) { return part.id === step.part; });
  }

  function apply() {
    var current = steps[state.step], only = isOn.only ? partOf(current) : -1;
    made.bed.visible = isOn.bed;
    made.billet.visible = isOn.billet;
    made.skin.visible = isOn.skin;
    made.paths.visible = isOn.paths;
    made.cutter.visible = isOn.cutter && steps.length > 0;
    made.parts.forEach(function (part, k) { part.visible = isPartOn[k] && (only < 0 || only === k); });
    steps.forEach(function (step, k) {
      var isCurrent = k === state.step;
      var isAmong = isOn.all || k < state.step, isOfPart = only < 0 || step.part === current.part;
      step.feed.visible = isCurrent || (isAmong && isOfPart);
      step.rapid.visible = isCurrent || (isOn.all && isOfPart); // the rapids of all that is done would hide the rest
      step.feed.material = isCurrent ? made.pens.current : made.pens.other;
      step.rapid.material = isCurrent ? made.pens.currentRapid : made.pens.otherRapid;
    });
    made.behind.visible = Boolean(current && current.feed.geometry);
    if (made.behind.visible) made.behind.geometry = current.feed.geometry;
    made.cutters.forEach(function (cutter, k) { cutter.visible = current && current.cutter === k; });
    ask();
  }

  function show(k) {
    var before = steps[state.step].part;
    state = { step: Math.min(Math.max(k, 0), steps.length - 1), walk: 0 };
    apply();
    if (isOn.only && steps[state.step].part !== before) fit();
    tell();
    walk(0);
  }

  function tell() {
    var step = steps[state.step], cutter = scene.cutters[step.cutter], facts = find(".v3-facts");
    facts.textContent = "";
    [
      ["operation", state.step + 1 + " of " + steps.length + ", " + step.kind],
      ["cutter", "T" + cutter.t + "  " + cutter.name],
      ["part", step.part],
      ["feature", step.feature],
      ["Z from, to", shown(step.top) + " to " + shown(step.bottom) + " " + scene.units],
      ["program", "restart at line " + step.start + ", cut from line " + step.line],
      ["how", step.note]
    ].forEach(function (fact) {
      if (!fact[1]) return;
      var pair = element("div", "", { className: fact[0] === "how" ? "v3-long" : "" });
      pair.append(element("dt", fact[0]), element("dd", fact[1]));
      facts.append(pair);
    });
    find(".v3-steps").value = state.step + 1;
    find(".v3-steps").setAttribute("aria-valuetext", state.step + 1 + ", " + step.op);
    find(".v3-list").value = state.step;
    find("[data-v3-do=before]").disabled = state.step === 0;
    find("[data-v3-do=after]").disabled = state.step === steps.length - 1;
  }

  // ---- along the path

  // The move on which a length along the path lies: the first that ends there or beyond.
  function moveAt(step, mm) {
    var k = step.moves.findIndex(function (move) { return step.along[move.end] >= mm - 1e-9; });
    return k < 0 ? step.moves.length - 1 : k;
  }

  function walk(mm) {
    var step = steps[state.step], k = 0;
    state.walk = Math.min(Math.max(mm, 0), step.length);
    while (k < step.along.length - 1 && step.along[k] < state.walk) k++;
    var before = Math.max(k - 1, 0), run = step.along[k] - step.along[before];
    var share = run > 0 ? (state.walk - step.along[before]) / run : 1;
    var at = [0, 1, 2].map(function (axis) {
      var a = step.xyz[3 * before + axis];
      return share === 1 ? step.xyz[3 * k + axis] : a + (step.xyz[3 * k + axis] - a) * share;
    });
    made.cutter.position.fromArray(at);
    showWalked(step, before, k, at);
    tellPlace(step, at);
    ask();
  }

  function tellPlace(step, at) {
    var move = step.moves[moveAt(step, state.walk)], pass = move.pass;
    var feed = (move.feed / scene.mmPerUnit).toFixed(scene.units === "in" ? 1 : 0);
    find(".v3-xyz").textContent = ["X", "Y", "Z"].map(function (axis, k) { return axis + shown(at[k]); }).join("  ");
    find(".v3-move").textContent = (move.isRapid ? "rapid" : "feed " + feed + " " + scene.units + "/min") +
      ", pass " + (pass + 1) + " of " + step.passes.length +
      ", lines " + step.passes[pass][1] + " to " + step.passes[pass][2];
    find(".v3-walk").value = step.length > 0 ? Math.round(1000 * state.walk / step.length) : 0;
    find(".v3-walk").setAttribute("aria-valuetext", find(".v3-xyz").textContent);
  }

  // What has been fed up to a place between two points, drawn heaviest.
  function showWalked(step, before, k, at) {
    var fed = step.feedLines.slice(0, step.fed[before]);
    if (step.fed[k] > step.fed[before]) fed = fed.concat(step.xyz.slice(3 * before, 3 * before + 3), at);
    made.walked.visible = fed.length > 0;
    if (!made.walked.visible) return;
    made.walked.geometry.dispose();
    made.walked.geometry = new T.LineSegmentsGeometry().setPositions(fed);
  }

  // To the end of this move, or back to the end of the one before.
  function walkMove(by) {
    var step = steps[state.step], m = moveAt(step, state.walk), end = step.along[step.moves[m].end];
    if (by > 0 && state.walk >= end - 1e-9) {
      while (m < step.moves.length - 1 && step.along[step.moves[m].end] <= end) m++;
    } else if (by < 0) {
      while (m > 0 && step.along[step.moves[m].end] >= state.walk - 1e-9) m--;
    }
    walk(step.along[step.moves[m].end]);
  }

  // ---- the controls

  var actions = {
    before: function () { show(state.step - 1); },
    after: function () { show(state.step + 1); },
    "move-before": function () { walkMove(-1); },
    "move-after": function () { walkMove(1); },
    fit: fit,
    nearer: function () { zoom(camera.zoom * ZOOM_STEP); },
    farther: function () { zoom(camera.zoom / ZOOM_STEP); }
  };
  var keys = {
    ArrowLeft: actions.before,
    ArrowRight: actions.after,
    Home: function () { show(0); },
    End: function () { show(steps.length - 1); },
    ArrowUp: function () { walk(state.walk + WALK_KEY * steps[state.step].length); },
    ArrowDown: function () { walk(state.walk - WALK_KEY * steps[state.step].length); }
  };

  function check(text, isChecked, change) {
    var label = element("label"), input = element("input", "", { type: "checkbox", checked: isChecked });
    label.append(input, element("span", text));
    input.addEventListener("change", function () { change(input.checked); apply(); });
    return { label: label, input: input };
  }

  function addShowChecks() {
    [["billet", "billet"], ["skin", "skin"], ["bed", "bed"], ["paths", "paths"], ["all", "all paths"],
      ["cutter", "cutter"], ["names", "names"], ["only", "only this part"]].forEach(function (row) {
      find(".v3-show").append(check(row[1], isOn[row[0]], function (on) {
        isOn[row[0]] = on;
        if (row[0] === "only") fit();
      }).label);
    });
  }

  // A box per kind that speaks for its copies, and a box per copy where there are several.
  function addPartChecks() {
    scene.kinds.forEach(function (kind, which) {
      var group = element("div", "", { className: "v3-checks" }), boxes = [];
      var copies = scene.parts.map(function (part, k) { return k; })
        .filter(function (k) { return scene.parts[k].kind === which; });
      var all = check(copies.length > 1 ? "all " + kind.name : scene.parts[copies[0]].id, true, function (on) {
        copies.forEach(function (k) { isPartOn[k] = on; });
        boxes.forEach(function (one) { one.input.checked = on; });
      });
      group.append(all.label);
      if (copies.length > 1) copies.forEach(function (k) {
        var one = check(scene.parts[k].id, true, function (on) {
          isPartOn[k] = on;
          var n = copies.filter(function (c) { return isPartOn[c]; }).length;
          all.input.checked = n === copies.length;
          all.input.indeterminate = n > 0 && n < copies.length;
        });
        boxes.push(one);
        group.append(one.label);
      });
      find(".v3-kinds").append(group);
    });
  }

  function addList() {
    var group = null;
    steps.forEach(function (step, k) {
      var cutter = scene.cutters[step.cutter];
      if (k === 0 || steps[k - 1].cutter !== step.cutter) {
        group = element("optgroup", "", { label: "T" + cutter.t + "  " + cutter.name });
        find(".v3-list").append(group);
      }
      group.append(element("option", k + 1 + "  " + step.kind + "  " + step.part + "  " + step.feature, { value: k }));
    });
  }

  function listen() {
    section.querySelectorAll("[data-v3-do]").forEach(function (button) {
      button.addEventListener("click", actions[button.dataset.v3Do]);
    });
    section.querySelectorAll("[data-v3-view]").forEach(function (button) {
      button.addEventListener("click", function () { look(button.dataset.v3View); });
    });
    find(".v3-steps").addEventListener("input", function () { show(this.value - 1); });
    find(".v3-list").addEventListener("change", function () { show(Number(this.value)); });
    find(".v3-walk").addEventListener("input", function () { walk(this.value / 1000 * steps[state.step].length); });
    section.addEventListener("keydown", function (event) {
      var isOwn = /^(INPUT|SELECT)$/.test(event.target.tagName); // sliders and lists have these keys already
      var key = keys[event.key], isUpOrDown = /^Arrow(Up|Down)$/.test(event.key);
      if (!key || isOwn || !steps.length || event.ctrlKey || event.altKey || event.metaKey) return;
      if (isUpOrDown && event.target !== canvas) return;
      event.preventDefault();
      key();
    });
    controls.addEventListener("change", ask);
    canvas.addEventListener("webglcontextrestored", ask);
    controls.addEventListener("start", function () { view = ""; markView(); });
    new ResizeObserver(resize).observe(canvas);
  }

  addShowChecks();
  addPartChecks();
  addList();
  find(".v3-steps").max = Math.max(steps.length, 1);
  listen();
  window.billetwrightView = {
    nSteps: steps.length,
    step: function (n) { show(n - 1); },
    current: function () { return state.step + 1; },
    get rendered() { return rendered; }
  };
  resize();
  find(".v3-stepping").hidden = !steps.length;
  if (steps.length) show(0); else apply();
}

// Building the view takes longer than opening the rest of the page: it waits until somebody comes near.
new IntersectionObserver(function (seen, watcher) {
  if (!seen.some(function (entry) { return entry.isIntersecting; })) return;
  watcher.disconnect();
  billetwrightStart(billetwrightThree);
}, { rootMargin: "800px" }).observe(document.getElementById("view3d"));
