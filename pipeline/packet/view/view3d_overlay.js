// What lies over the picture of the 3D view: names, a ring round the cutter's tip, a scale bar. All of it is text and
// boxes of the page, so that it keeps its size whatever the zoom.
var billetwrightOverlay = (function (T) {
  "use strict";

  var AXIS_PX = 12; // an axis that looks shorter points at the eye: no letter
  var FLAT = 0.2; // below this slope of the view the upper faces, which carry the names, are not seen
  var ORIGIN_DOWN_PX = 14;

  // The more telling name first: where two would meet, it stays.
  function rank(label) { return label.isAxis ? 0 : label.isOrigin ? 3 : label.isSmall ? 2 : 1; }

  function rectangle(p, w, h) { return { l: p.x - w / 2, r: p.x + w / 2, t: p.y - h / 2, b: p.y + h / 2 }; }

  function areApart(a, b) { return a.l > b.r || a.r < b.l || a.t > b.b || a.b < b.t; }

  function put(node, p) {
    node.style.transform = "translate(-50%,-50%) translate(" + p.x.toFixed(1) + "px," + p.y.toFixed(1) + "px)";
  }

  return function (picture, given, units) {
    var holder = picture.querySelector(".v3-labels"), tip = document.createElement("b");
    tip.className = "v3-tip";
    var labels = given.map(function (label) {
      var node = document.createElement("span");
      node.textContent = label.text;
      node.className = label.isAxis ? "v3-axis" : label.isSmall || label.isOrigin ? "v3-small" : "v3-name";
      holder.append(node);
      return Object.assign({}, label, { node: node, at: new T.Vector3().fromArray(label.at) });
    }).sort(function (a, b) { return rank(a) - rank(b); });
    labels.forEach(function (label) { label.w = label.node.offsetWidth; label.h = label.node.offsetHeight; });
    holder.append(tip);

    function placeNames(onScreen, isFlat, areNamesOn) {
      var taken = [], origin = onScreen(new T.Vector3());
      labels.forEach(function (label) {
        var p = onScreen(label.at);
        if (label.isOrigin) p.y += ORIGIN_DOWN_PX;
        var mine = rectangle(p, label.w, label.h);
        var isWanted = label.isAxis ? Math.hypot(p.x - origin.x, p.y - origin.y) > AXIS_PX
          : label.isOrigin || (areNamesOn && (label.isSmall || !isFlat));
        var isSeen = isWanted && label.of.visible && taken.every(function (other) { return areApart(mine, other); });
        label.node.style.visibility = isSeen ? "visible" : "hidden";
        if (!isSeen) return;
        taken.push(mine);
        put(label.node, p);
      });
    }

    // A round length, 125 pixels at most.
    function placeScale(zoom) {
      var most = 125 / zoom / units.mmPerUnit, power = Math.pow(10, Math.floor(Math.log10(most)));
      var length = (most / power >= 5 ? 5 : most / power >= 2 ? 2 : 1) * power;
      picture.querySelector(".v3-scale span").textContent = Number(length.toPrecision(3)) + " " + units.units;
      picture.querySelector(".v3-scale i").style.width = length * units.mmPerUnit * zoom + "px";
    }

    // `show.names`: with names or without; `show.tip`: where the cutter is, or false.
    function place(camera, size, show) {
      function onScreen(at) {
        var p = at.clone().project(camera);
        return { x: (p.x + 1) / 2 * size.w, y: (1 - p.y) / 2 * size.h };
      }
      var isFlat = Math.abs(camera.getWorldDirection(new T.Vector3()).z) < FLAT;
      placeNames(onScreen, isFlat, show.names);
      placeScale(camera.zoom);
      tip.hidden = !show.tip;
      if (show.tip) put(tip, onScreen(show.tip));
    }

    return { place: place };
  };
})(billetwrightThree);
