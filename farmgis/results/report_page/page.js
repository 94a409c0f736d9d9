"use strict";
(function () {
  var root = document.documentElement, shown = document.getElementById("map-data");

  // with very many fields the text of each is held back until it is asked for: it was escaped when it was written
  var held = document.getElementById("held"), bodies = null;
  var fieldParts = Array.from(document.querySelectorAll("details.field"));
  function unfold(details) {
    var place = fieldParts.indexOf(details);
    if (!held || place < 0 || details.dataset.whole) { return; }
    bodies = bodies || JSON.parse(held.textContent);
    details.dataset.whole = "yes";
    details.insertAdjacentHTML("beforeend", bodies[place]);
  }
  fieldParts.forEach(function (details) {
    details.addEventListener("toggle", function () { if (details.open) { unfold(details); } });
  });
  function open_(hash) {
    var at = hash && document.getElementById(decodeURIComponent(hash.slice(1)));
    if (at && at.tagName === "DETAILS") { at.open = true; unfold(at); }
  }
  window.addEventListener("hashchange", function () { open_(location.hash); });
  open_(location.hash);
  // the still map, for print and where the other cannot be drawn: until then a browser with scripts does not read it
  var still = document.getElementById("still");
  function unroll() {
    if (still && !still.dataset.whole) {
      still.dataset.whole = "yes";
      still.insertAdjacentHTML("afterend", still.textContent);
    }
  }
  window.matchMedia("print").addEventListener("change", unroll);
  window.addEventListener("beforeprint", function () {
    unroll();
    document.querySelectorAll("details:not(.long)").forEach(function (d) { d.open = true; unfold(d); });
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
  if (!shown || !window.L) { unroll(); return; }
  root.classList.add("scripted");

  var data = JSON.parse(shown.textContent), rest = null, told = document.getElementById("told"), goto_ = document.getElementById("goto");
  var map = L.map("map", { crs: L.CRS.Simple, preferCanvas: true, zoomSnap: 0.25, minZoom: -9, maxZoom: 5, keyboard: true });
  map.attributionControl.setPrefix("Leaflet");
  L.control.scale({ imperial: false }).addTo(map);

  function line(flat) {
    var points = [];
    for (var i = 0; i < flat.length; i += 2) { points.push([flat[i + 1] / 10, flat[i] / 10]); }
    return points;
  }
  function rings(shape) { return shape.map(function (polygon) { return polygon.map(line); }); }
  function later(name) {
    rest = rest || JSON.parse(document.getElementById("map-later").textContent);
    return name === "laterals" ? [rest.laterals] : rest[name];  // all laterals are one shape
  }
  function pairs(places, words) {
    var found = [];
    for (var i = 0; i < places.length; i += 2) { found.push([words[places[i]], words[places[i + 1]]]); }
    return found;
  }
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
  // the shapes of a layer are made when it is first shown; one pop-up serves them all;
  // `items` is a list, or the name of one that is read only then
  function group(items, make) {
    var made = false, layer = L.featureGroup(), named = typeof items === "string";
    layer.bindPopup(function (shape) {
      var of = pairs(shape.told, named ? rest.words : data.words);
      told.textContent = words(of);
      return popup(of);
    }, { maxWidth: 340 });
    layer.on("add", function () {
      if (made) { return; }
      made = true;
      (named ? later(items) : items).forEach(function (item) {
        var shape = make(item);
        shape.told = item.t;
        layer.addLayer(shape);
      });
    });
    layer.empty = named ? data.later.indexOf(items) < 0 : !items.length;
    return layer;
  }

  var all = L.latLngBounds([0, 0], [data.size[1] / 10, data.size[0] / 10]), bounds = [];
  var fields = group(data.fields, function (f) {
    var off = f.s === "not planned";
    var shape = L.polygon(rings(f.r), { color: off ? "#8a8a8a" : "#2b2b2b", weight: 2, fill: off, fillOpacity: 0.15, dashArray: off ? "6 4" : null });
    var choice = document.createElement("option");
    choice.value = String(bounds.length);
    choice.textContent = f.n;
    goto_.appendChild(choice);
    bounds.push(shape.getBounds());
    if (data.fields.length <= 60) { shape.bindTooltip(label(f.n), { permanent: true, direction: "center", className: "name" }); }
    return shape;
  });
  var blocks = group(data.blocks, function (b) {
    return L.polygon(rings(b.r), { color: "#4d4d4d", weight: 0.8, fillColor: b.c, fillOpacity: 0.35 });
  });
  var laterals = group("laterals", function (every) {
    return L.polyline(every.map(line), { color: "#56707c", weight: 0.6, interactive: false });
  });
  var contours = group(data.contours, function (c) {
    return L.polyline(line(c.l), { color: "#6f5232", weight: 1, opacity: 0.8 });
  });
  function pipes(items) {
    return group(items, function (p) { return L.polyline(p.m ? p.m.map(line) : line(p.l), { color: p.c, weight: p.w + 0.8 }); });
  }
  function marks(items, radius) {
    return group(items, function (p) {
      return L.circleMarker(line(p.p)[0], { radius: radius, color: "#fff", weight: 1, fillColor: p.c, fillOpacity: 1 });
    });
  }
  var at = data.points, layers = {
    "Fields": fields, "Blocks": blocks, "Laterals": laterals, "Contours": contours, "Submains": pipes(data.submains),
    "Mains": pipes(data.mains), "Findings": marks(at.findings, 9), "Fittings": marks("fittings", 3.5), "Valves": marks(at.valves, 5), "Pumps": marks(at.pumps, 8),
    "Lowest and highest emitters": marks("emitters", 4)
  };
  // not drawn until asked for; and of a large farm what would lie on each other, until a field is gone to
  var unasked = ["Laterals", "Lowest and highest emitters", "Fittings"], near = ["Contours", "Submains", "Findings", "Valves"];
  var waiting = data.fields.length > 200 ? unasked.concat(near) : unasked;
  var control = L.control.layers(null, null, { collapsed: window.innerWidth < 800 });
  map.fitBounds(all, { animate: false });
  Object.keys(layers).forEach(function (name) {
    if (layers[name].empty) { return; }
    control.addOverlay(layers[name], name);
    if (waiting.indexOf(name) < 0) { layers[name].addTo(map); }
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
    if (goto_.value !== "") {
      ["Laterals"].concat(near).forEach(function (name) { if (!layers[name].empty) { layers[name].addTo(map); } });
    }
    told.textContent = "The map shows " + goto_.options[goto_.selectedIndex].text + ".";
  });
  root.dataset.ready = "yes";
  window.planMap = map;
}());
