"use strict";
(function () {
  var root = document.documentElement, held = document.getElementById("map-data");

  // with very many fields the text of each is held back until it is asked for: it was escaped when it was written
  function unfold(details) {
    var kept = details.querySelector("script.held");
    if (kept) {
      var body = document.createElement("div");
      body.innerHTML = kept.textContent;
      kept.replaceWith(body);
    }
  }
  document.querySelectorAll("details.field").forEach(function (details) {
    details.addEventListener("toggle", function () { unfold(details); });
  });
  function open_(hash) {
    var at = hash && document.getElementById(decodeURIComponent(hash.slice(1)));
    if (at && at.tagName === "DETAILS") { at.open = true; unfold(at); }
  }
  window.addEventListener("hashchange", function () { open_(location.hash); });
  open_(location.hash);
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (d) { d.open = true; unfold(d); });
  });

  var sift = document.getElementById("sift");
  if (sift) {
    sift.addEventListener("input", function () {
      var words = sift.value.toLowerCase();
      document.querySelectorAll("#assumptions tbody tr").forEach(function (row) {
        row.hidden = row.textContent.toLowerCase().indexOf(words) < 0;
      });
    });
  }
  if (!held || !window.L) { return; }
  root.classList.add("scripted");

  var data = JSON.parse(held.textContent), told = document.getElementById("told"), goto_ = document.getElementById("goto");
  var map = L.map("map", { crs: L.CRS.Simple, preferCanvas: true, zoomSnap: 0.25, minZoom: -9, maxZoom: 5, keyboard: true });
  map.attributionControl.setPrefix("Leaflet");
  L.control.scale({ imperial: false }).addTo(map);

  function line(flat) {
    var points = [];
    for (var i = 0; i < flat.length; i += 2) { points.push([flat[i + 1] / 10, flat[i] / 10]); }
    return points;
  }
  function rings(shape) { return shape.map(function (polygon) { return polygon.map(line); }); }
  function words(pairs) {
    return pairs.map(function (p) { return p[0] + ": " + p[1]; }).join("; ");
  }
  function popup(pairs) {
    var table = document.createElement("table");
    table.className = "pop";
    pairs.forEach(function (pair) {
      var row = table.insertRow(), head = document.createElement("th");
      head.textContent = pair[0];
      row.appendChild(head);
      row.insertCell().textContent = pair[1];
    });
    return table;
  }
  function label(text) {
    var span = document.createElement("span");
    span.textContent = text.length > 40 ? text.slice(0, 39) + "\u2026" : text;
    return span;
  }
  function tell(shape, pairs) {
    shape.bindPopup(function () { told.textContent = words(pairs); return popup(pairs); }, { maxWidth: 340 });
    return shape;
  }
  function group(items, make) {
    return L.featureGroup(items.map(make));
  }

  var all = L.latLngBounds([0, 0], [data.size[1] / 10, data.size[0] / 10]), bounds = [];
  var fields = group(data.fields, function (f) {
    var off = f.s === "not planned";
    var shape = tell(L.polygon(rings(f.r), { color: off ? "#8a8a8a" : "#2b2b2b", weight: 2, fill: off, fillOpacity: 0.15, dashArray: off ? "6 4" : null }), f.t);
    var choice = document.createElement("option");
    choice.value = String(bounds.length);
    choice.textContent = f.n;
    goto_.appendChild(choice);
    bounds.push(shape.getBounds());
    if (data.fields.length <= 60) { shape.bindTooltip(label(f.n), { permanent: true, direction: "center", className: "name" }); }
    return shape;
  });
  var blocks = group(data.blocks, function (b) {
    return tell(L.polygon(rings(b.r), { color: "#4d4d4d", weight: 0.8, fillColor: b.c, fillOpacity: 0.35 }), b.t);
  });
  var laterals = L.featureGroup([L.polyline(data.laterals.map(line), { color: "#56707c", weight: 0.6, interactive: false })]);
  var contours = group(data.contours, function (c) {
    return tell(L.polyline(line(c.l), { color: "#6f5232", weight: 1, opacity: 0.8 }), [["Contour", c.z + " m"]]);
  });
  function pipes(items) {
    return group(items, function (p) { return tell(L.polyline(p.m ? p.m.map(line) : line(p.l), { color: p.c, weight: p.w + 0.8 }), p.t); });
  }
  function marks(items, radius) {
    return group(items, function (p) {
      return tell(L.circleMarker(line(p.p)[0], { radius: radius, color: "#fff", weight: 1, fillColor: p.c, fillOpacity: 1 }), p.t);
    });
  }
  var at = data.points, layers = {
    "Fields": fields, "Blocks": blocks, "Laterals": laterals, "Contours": contours, "Submains": pipes(data.submains),
    "Mains": pipes(data.mains), "Findings": marks(at.findings, 9), "Fittings": marks(at.fittings, 3.5), "Valves": marks(at.valves, 5), "Pumps": marks(at.pumps, 8),
    "Lowest and highest emitters": marks(at.emitters, 4)
  };
  var control = L.control.layers(null, null, { collapsed: window.innerWidth < 800 });
  map.fitBounds(all, { animate: false });
  Object.keys(layers).forEach(function (name) {
    if (!layers[name].getLayers().length || (name === "Laterals" && !data.laterals.length)) { return; }
    control.addOverlay(layers[name], name);
    if (["Laterals", "Lowest and highest emitters", "Fittings"].indexOf(name) < 0) { layers[name].addTo(map); }
  });
  control.addTo(map);
  map.on("layeradd", function (event) {
    if (event.layer !== laterals && event.layer !== blocks && event.layer !== contours) { return; }
    ["Submains", "Mains", "Findings", "Fittings", "Valves", "Pumps", "Lowest and highest emitters"].forEach(function (name) {
      if (map.hasLayer(layers[name])) { layers[name].bringToFront(); }
    });
  });
  goto_.addEventListener("change", function () {
    map.closePopup();
    map.fitBounds(goto_.value === "" ? all : bounds[Number(goto_.value)], { animate: false });
    if (goto_.value !== "") { laterals.addTo(map); }
    told.textContent = "The map shows " + goto_.options[goto_.selectedIndex].text + ".";
  });
  root.dataset.ready = "yes";
  window.planMap = map;
}());
