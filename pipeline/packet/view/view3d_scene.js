// What the 3D view shows: the scene's numbers become solids and lines, in the setup frame, mm, Z up.
// Black lines on one warm grey: what a line is, its weight and its dashes say, never its colour.
var billetwrightScene = (function (T) {
  "use strict";

  var INK = 0x111111, SOFT = 0x7a766f, GREY = 0xd9d0c3, PALE = 0xf3f0ea, WHITE = 0xfffefb;
  var EDGE_DEGREES = 28; // faces that meet flatter than this are pieces of one curved face
  var CORNER_DEGREES = 20; // where the billet's outline turns by more, an upright edge is drawn
  var ARROW_MM = 14, CURRENT_PX = 2.4, WALKED_PX = 4.4;

  // Undoes `packed` of view3d.py: differences, seven bits to a byte, the sign in the lowest bit.
  function unpack(text, columns, counts) {
    var bytes = atob(text), out = [], last = new Array(columns).fill(0), value = 0, factor = 1;
    for (var i = 0; i < bytes.length; i++) {
      var byte = bytes.charCodeAt(i);
      value += (byte & 127) * factor;
      if (byte & 128) { factor *= 128; continue; }
      var column = out.length % columns;
      last[column] += value % 2 ? -(value + 1) / 2 : value / 2;
      out.push(last[column] / counts);
      value = 0; factor = 1;
    }
    return out;
  }

  function lineMaterial(width, options) {
    return new T.LineMaterial(Object.assign({ color: INK, linewidth: width }, options));
  }

  // Pairs of points as one object. Distances along the lines are what dashes are measured by.
  function lines(positions, material) {
    var geometry = new T.LineSegmentsGeometry();
    geometry.setPositions(positions);
    return new T.LineSegments2(geometry, material).computeLineDistances();
  }

  function solidMaterial(color) {
    return new T.MeshLambertMaterial({
      color: color, flatShading: true, polygonOffset: true, polygonOffsetFactor: 2, polygonOffsetUnits: 2
    });
  }

  // Pairs of points round a closed outline at one height.
  function ring(outline, z) {
    var out = [];
    outline.forEach(function (p, k) {
      var q = outline[(k + 1) % outline.length];
      out.push(p[0], p[1], z, q[0], q[1], z);
    });
    return out;
  }

  // Upright edges between two heights, where the outline has a corner.
  function uprights(outline, low, high) {
    var out = [], n = outline.length;
    outline.forEach(function (p, k) {
      var a = outline[(k + n - 1) % n], b = outline[(k + 1) % n];
      var turn = Math.atan2(b[1] - p[1], b[0] - p[0]) - Math.atan2(p[1] - a[1], p[0] - a[0]);
      turn = Math.abs(Math.atan2(Math.sin(turn), Math.cos(turn)));
      if (turn > CORNER_DEGREES * Math.PI / 180) out.push(p[0], p[1], low, p[0], p[1], high);
    });
    return out;
  }

  // Hatching of a polygon at one height: parallel lines, cut where they cross the outline (in and out by turns).
  function hatching(outline, z, gap, degrees) {
    var c = Math.cos(degrees * Math.PI / 180), s = Math.sin(degrees * Math.PI / 180), out = [];
    var turned = outline.map(function (p) { return [c * p[0] + s * p[1], c * p[1] - s * p[0]]; });
    var heights = turned.map(function (p) { return p[1]; });
    for (var v = Math.ceil(Math.min.apply(null, heights) / gap) * gap; v < Math.max.apply(null, heights); v += gap) {
      var cuts = [];
      turned.forEach(function (p, k) {
        var q = turned[(k + 1) % turned.length];
        if (p[1] <= v !== q[1] <= v) cuts.push(p[0] + (q[0] - p[0]) * (v - p[1]) / (q[1] - p[1]));
      });
      cuts.sort(function (a, b) { return a - b; });
      for (var k = 0; k + 1 < cuts.length; k += 2) {
        out.push(c * cuts[k] - s * v, s * cuts[k] + c * v, z, c * cuts[k + 1] - s * v, s * cuts[k + 1] + c * v, z);
      }
    }
    return out;
  }

  function slab(outline, height, material) {
    var shape = new T.Shape(outline.map(function (p) { return new T.Vector2(p[0], p[1]); }));
    return new T.Mesh(new T.ExtrudeGeometry(shape, { depth: height, bevelEnabled: false }), material);
  }

  function middle(outline) {
    var x = outline.map(function (p) { return p[0]; }), y = outline.map(function (p) { return p[1]; });
    return [(Math.min.apply(null, x) + Math.max.apply(null, x)) / 2,
      (Math.min.apply(null, y) + Math.max.apply(null, y)) / 2];
  }

  function circle(x, y, z, r, pieces) {
    var outline = [];
    for (var k = 0; k < pieces; k++) {
      var a = 2 * Math.PI * k / pieces;
      outline.push([x + r * Math.cos(a), y + r * Math.sin(a)]);
    }
    return ring(outline, z);
  }

  function bed(scene, thin, dashed, heavy, labels, shown) {
    var group = new T.Group(), white = solidMaterial(WHITE);
    [lines(ring(scene.gasket, 0), dashed), lines(circle(scene.port[0], scene.port[1], 0, 2, 32), dashed)].forEach(
      function (under) { // seen through the skin, hidden by what stands on it
        under.renderOrder = -1;
        group.add(under);
      });
    scene.blocks.forEach(function (block) {
      var isSacrificial = block.kind === "sacrificial spacer";
      var at = middle(block.outline), h = block.height;
      group.add(slab(block.outline, h, white));
      group.add(lines(ring(block.outline, h).concat(ring(block.outline, 0), uprights(block.outline, 0, h)), thin));
      group.add(lines(hatching(block.outline, h, isSacrificial ? 3 : 1.5, isSacrificial ? 135 : 45), thin));
      labels.push({ text: block.name + " Z" + shown(h, 1), at: [at[0], at[1], h], of: group, isSmall: true });
    });
    var a = ARROW_MM, t = ARROW_MM / 7;
    group.add(lines([
      -4, 0, 0, a, 0, 0, a - t, t / 2, 0, a, 0, 0, a - t, -t / 2, 0, a, 0, 0,
      0, -4, 0, 0, a, 0, t / 2, a - t, 0, 0, a, 0, -t / 2, a - t, 0, 0, a, 0,
      0, 0, 0, 0, 0, a, t / 2, 0, a - t, 0, 0, a, -t / 2, 0, a - t, 0, 0, a
    ], heavy));
    [["X", a + 2.5, 0, 0], ["Y", 0, a + 2.5, 0], ["Z", 0, 0, a + 2.5]].forEach(function (axis) {
      labels.push({ text: axis[0], at: axis.slice(1), of: group, isAxis: true });
    });
    labels.push({ text: "X0 Y0 Z0", at: [0, 0, 0], of: group, isOrigin: true });
    return group;
  }

  // Upper outline heavy, lower thin; what is black on the nest drawing (defects) is a black face.
  function billet(scene, thin, heavy) {
    var group = new T.Group(), top = scene.z.top;
    group.add(lines(ring(scene.billet, top), heavy));
    group.add(lines(ring(scene.billet, 0).concat(uprights(scene.billet, 0, top)), thin));
    scene.defects.forEach(function (defect) {
      group.add(lines(ring(defect, top).concat(hatching(defect, top, 0.3, 45)), thin));
    });
    return group;
  }

  function parts(scene, edges, labels) {
    var material = solidMaterial(GREY);
    var kinds = scene.kinds.map(function (kind) {
      var geometry = new T.BufferGeometry();
      geometry.setAttribute("position", new T.BufferAttribute(
        new Float32Array(unpack(kind.xyz, 3, scene.counts.mesh)), 3));
      geometry.setIndex(unpack(kind.triangles, 3, 1));
      geometry.computeBoundingBox();
      var outline = new T.LineSegmentsGeometry();
      outline.fromEdgesGeometry(new T.EdgesGeometry(geometry, EDGE_DEGREES));
      return { solid: geometry, edges: outline, box: geometry.boundingBox };
    });
    return scene.parts.map(function (part) {
      var kind = kinds[part.kind], p = part.pose, group = new T.Group(), at = new T.Vector3();
      group.add(new T.Mesh(kind.solid, material), new T.LineSegments2(kind.edges, edges));
      group.applyMatrix4(new T.Matrix4().set(
        p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], p[8], p[9], p[10], p[11], 0, 0, 0, 1));
      group.updateMatrixWorld();
      kind.box.getCenter(at).setZ(kind.box.max.z).applyMatrix4(group.matrixWorld);
      var size = kind.box.getSize(new T.Vector3());
      var isLong = Math.max(size.x, size.y) > 25; // as on the nest drawing: a small copy shows its number alone
      labels.push({ text: isLong ? part.id : part.id.replace(/^.*-(?=\d+$)/, ""), at: at.toArray(), of: group });
      return group;
    });
  }

  // One operation's motion: its points, how far along the way each lies, which of them end a move, and the pairs of
  // points of its feeds and rapids; `fed` is how many numbers of `feedLines` lead up to each point.
  function step(given, counts) {
    var xyz = unpack(given.xyz, 3, counts.path), rows = unpack(given.moves, 3, 1);
    var feed = [], rapid = [], moves = [], along = [0], last = 0, pass = 0, left = given.passes[0][0], fed = [0];
    for (var m = 0; m < rows.length; m += 3) {
      var isRapid = rows[m + 1] === 0;
      if (left-- === 0) left = given.passes[++pass][0] - 1;
      for (var k = 0; k < rows[m]; k++, last++) {
        if (last === 0) continue;
        var a = xyz.slice(3 * last - 3, 3 * last + 3);
        along.push(along[last - 1] + Math.hypot(a[3] - a[0], a[4] - a[1], a[5] - a[2]));
        Array.prototype.push.apply(isRapid ? rapid : feed, a);
        fed.push(feed.length);
      }
      moves.push({ end: last - 1, isRapid: isRapid, feed: rows[m + 2] / counts.feed, pass: pass });
    }
    return Object.assign({}, given, {
      xyz: xyz, along: along, length: along[along.length - 1], moves: moves,
      feedLines: feed, fed: fed, rapidLines: rapid
    });
  }

  // The cutter from its tip to the rim of its holder: rings where its radius changes, and lines up its sides.
  function cutterLines(profile) {
    var out = [];
    profile.forEach(function (p, k) {
      if (p[0] > 0) Array.prototype.push.apply(out, circle(0, 0, p[1], p[0], 40));
      if (k === 0 || (k === profile.length - 1 && profile[k - 1][1] === p[1])) return;
      for (var turn = 0; turn < 8; turn++) {
        var c = Math.cos(turn * Math.PI / 4), s = Math.sin(turn * Math.PI / 4), q = profile[k - 1];
        out.push(c * q[0], s * q[0], q[1], c * p[0], s * p[0], p[1]);
      }
    });
    return out;
  }

  // Everything, as groups that can be shown and hidden. `shown` writes a length in the unit of the page.
  function build(scene, shown) {
    var labels = [], root = new T.Scene(), dashed = { dashed: true };
    var pens = {
      edges: lineMaterial(1.3),
      thin: lineMaterial(1),
      heavy: lineMaterial(2.2),
      gasket: lineMaterial(1.2, { dashed: true, depthTest: false, depthWrite: false }),
      other: lineMaterial(1, { color: SOFT }),
      otherRapid: lineMaterial(0.8, { color: SOFT, dashed: true }),
      current: lineMaterial(CURRENT_PX),
      currentRapid: lineMaterial(1.4, dashed),
      walked: lineMaterial(WALKED_PX),
      behind: lineMaterial(1.6, { dashed: true, depthFunc: T.GreaterDepth, depthWrite: false }),
      cutter: lineMaterial(1)
    };
    root.background = new T.Color(0xffffff);
    var sun = new T.DirectionalLight(0xffffff, 1.7); // what looks up is nearly white, what looks right is darkest
    sun.position.set(-0.45, -0.65, 1);
    root.add(new T.HemisphereLight(0xffffff, 0xa8a196, 1.7), sun);

    var made = {
      root: root, pens: pens, labels: labels,
      setWeight: function (share) {
        pens.current.linewidth = CURRENT_PX * share;
        pens.walked.linewidth = WALKED_PX * share;
      },
      bed: bed(scene, pens.thin, pens.gasket, pens.heavy, labels, shown),
      billet: billet(scene, pens.thin, pens.heavy),
      skin: slab(scene.billet, scene.z.skin, solidMaterial(PALE)),
      parts: parts(scene, pens.edges, labels),
      steps: scene.steps.map(function (given) { return step(given, scene.counts); }),
      paths: new T.Group(),
      cutter: new T.Group()
    };
    made.steps.forEach(function (one) {
      one.feed = one.feedLines.length ? lines(one.feedLines, pens.other) : new T.Group();
      one.rapid = one.rapidLines.length ? lines(one.rapidLines, pens.otherRapid) : new T.Group();
      one.feed.renderOrder = one.rapid.renderOrder = 2;
      made.paths.add(one.feed, one.rapid);
    });
    // What of the current path lies behind a solid, drawn before the paths themselves so that none of them counts.
    made.behind = lines([0, 0, 0, 0, 0, 0], pens.behind);
    made.behind.renderOrder = 1;
    made.walked = lines([0, 0, 0, 0, 0, 0], pens.walked);
    made.walked.renderOrder = 2;
    made.behind.frustumCulled = made.walked.frustumCulled = false;
    made.paths.add(made.behind, made.walked);
    made.skin.renderOrder = -2;
    var glass = new T.MeshBasicMaterial({
      color: 0xffffff, transparent: true, opacity: 0.3, depthWrite: false, side: T.DoubleSide
    });
    made.cutters = scene.cutters.map(function (cutter) {
      var group = new T.Group(), outline = cutter.profile.map(function (p) { return new T.Vector2(p[0], p[1]); });
      var body = new T.Mesh(new T.LatheGeometry(outline, 40), glass);
      body.rotation.x = Math.PI / 2; // a lathe turns about Y
      body.renderOrder = 3;
      var wire = lines(cutterLines(cutter.profile), pens.cutter);
      wire.renderOrder = 4;
      group.add(body, wire);
      made.cutter.add(group);
      return group;
    });
    root.add(made.bed, made.billet, made.skin, made.paths, made.cutter);
    made.parts.forEach(function (part) { root.add(part); });
    return made;
  }

  return { build: build };
})(billetwrightThree);
