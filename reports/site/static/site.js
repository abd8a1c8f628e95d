/* The pages' script: filters, units, ground, printing. It adds up the embedded sums (amounts.js) by the rules of page_sums.py
   and words numbers with what reports/wording.py hands it; without it every page still reads, for all data in its first units. */
(function () {
  "use strict";

  var root = document.documentElement;
  var NAMES = ["shop", "from", "to", "role", "see", "units", "theme", "cup", "at"];  // cup: one that is opened; at: a place on the page
  var state = read();
  var data = null;
  var figures = {};
  var printing = false;
  root.classList.add("script");
  ground();

  // --- the address carries what the reader chose: page.html#shop=north&units=us ---
  function read() {
    var given = new URLSearchParams(location.hash.slice(1));
    var out = {};
    NAMES.forEach(function (n) { out[n] = given.get(n) || ""; });
    return out;
  }
  function address(more, without) {  // the choices as a hash, with others or without some
    var kept = new URLSearchParams();
    NAMES.forEach(function (n) {
      var value = more && n in more ? more[n] : state[n];
      if (value && (without || []).indexOf(n) < 0) kept.set(n, value);
    });
    return kept.toString() ? "#" + kept : "";
  }
  function write(step) {  // step: what back takes back
    var hash = address();
    if (hash !== location.hash) history[step ? "pushState" : "replaceState"](null, "", location.pathname + location.search + hash);
    document.querySelectorAll("a[data-keep]").forEach(function (a) {
      var parts = a.getAttribute("href").split("#");
      var anchor = a.dataset.anchor || (parts[1] && parts[1].indexOf("=") < 0 ? parts[1] : "");
      if (anchor) a.dataset.anchor = anchor;
      a.setAttribute("href", parts[0] + address({ at: anchor }, ["cup"]));
    });
  }
  function fold() {  // sections that a reader unfolds: a head that says so
    if (innerWidth < 600) document.querySelectorAll("section[id]:not(#todo):not(#cup):not(.sheet):not(#compare)").forEach(function (s) {
      if (s.firstElementChild && s.firstElementChild.tagName === "H2") s.classList.add("fold");  // a phone shows the heads
    });
    document.querySelectorAll("section.fold > h2").forEach(function (h) {
      var button = make("button");
      button.type = "button"; button.className = "unfold";
      button.setAttribute("aria-expanded", "false");
      while (h.firstChild) button.appendChild(h.firstChild);
      h.appendChild(button);
      button.addEventListener("click", function () { unfold(h.parentNode, button.getAttribute("aria-expanded") === "false"); });
    });
  }
  function unfold(section, open) {
    section.classList.toggle("unfolded", open);
    section.querySelector(".unfold").setAttribute("aria-expanded", String(open));
  }
  function jump(to) {  // to a place on the page, what it is folded into opened
    var folded = to.closest("section.fold");
    if (folded) unfold(folded, true);
    for (var up = to; up; up = up.parentElement) if (up.tagName === "DETAILS") up.open = true;
    if (to.classList.contains("beyond")) to.classList.remove("beyond");
    to.setAttribute("tabindex", "-1");
    to.focus({ preventScroll: true });
    to.scrollIntoView();
  }
  function ground() {
    if (state.theme === "light" || state.theme === "dark") root.dataset.theme = state.theme;
    else delete root.dataset.theme;
  }
  function isDark() {
    if (printing) return false;
    return state.theme ? state.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  }
  var flipped = false;  // while a figure is said in the units that are not chosen
  function system() { return state.units || root.dataset.units; }
  function units() { return flipped ? (system() === "us" ? "metric" : "us") : system(); }
  function see() { return state.see && data.see[state.see] ? state.see : root.dataset.see; }

  // --- numbers: words, units and limits come from reports/wording.py (for_script) ---
  function plain(value, decimals) {
    var text = Math.abs(value).toFixed(decimals);
    var negative = value < 0 && Number(text) !== 0;
    var parts = text.split(".");
    parts[0] = parts[0].replace(/\B(?=(\d{3})+$)/g, system() === "us" ? "," : data.words.thin);
    return (negative ? "-" : "") + parts.join(".");
  }
  var grouped = [];  // [text, as it was, as it is]: numbers that no unit is bound to, with commas beside US units
  function groups() {
    grouped.splice(0).forEach(function (g) { if (g[0].data === g[2]) g[0].data = g[1]; });
    if (units() !== "us") return;
    var walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), apart = new RegExp("(\\d)" + data.words.thin + "(?=\\d{3})", "g");
    while (walk.nextNode()) {
      var at = walk.currentNode, was = at.data, is = was.replace(apart, "$1,");
      if (is !== was && at.parentNode.tagName !== "SCRIPT") { at.data = is; grouped.push([at, was, is]); }
    }
  }
  function decimalsAt(value, limits) { return limits.filter(function (l) { return value >= l[0]; })[0][1]; }
  function digits(value, half) {
    if (half > 0) return decimalsAt(half, data.words.by_half_width);
    return value === 0 ? 0 : decimalsAt(Math.abs(value), data.words.by_size);
  }
  function inHundredths(kind) { return data.words.hundredths.indexOf(kind) >= 0; }
  function factor(kind) { return data.words.units[kind][2]; }
  function shown(value, kind) { return units() === "us" || inHundredths(kind) ? value / factor(kind) : value; }
  function unitWord(kind) {
    if (kind === "cost") return root.dataset.currency;
    return data.words.units[kind][units() === "us" ? 1 : 0];
  }
  function phrase(value, kind, low, high, bare) {
    if (value === null || value === undefined || !isFinite(value)) return data.words.unknown;
    var number = shown(value, kind);
    if (kind === "count") return plain(number, 0);
    var decimals, text, interval = "";
    if (low === null || low === undefined || high === null || high === undefined || low === high) {
      decimals = inHundredths(kind) ? (number >= 10 ? 0 : 1) : digits(number);
      text = plain(number, decimals);
    } else {
      var a = shown(low, kind), b = shown(high, kind);
      decimals = digits(number, (b - a) / 2);
      text = plain(number, decimals);
      var ta = plain(a, decimals), tb = plain(b, decimals);
      interval = " (" + ta + (ta[0] === "-" || tb[0] === "-" ? " to " : data.words.range) + tb + ")";
    }
    var word = bare ? "" : unitWord(kind);
    return text + (word ? data.words.thin + word : "") + interval;
  }
  function standing(row) {
    var n = plain(row.n, 0) + (row.n === 1 ? " record" : " records");
    if (row.v === null) return data.words.too_few + " (" + n + ")";
    return phrase(row.v, "share", row.lo, row.hi) + ", " + n + ", " + (row.grade ? "grade " + row.grade : data.words.no_grade);
  }
  function monthWord(month) {
    if (month.length === 4) return month;
    if (month[5] === "Q") return "quarter " + month[6] + " of " + month.slice(0, 4);
    return data.words.months[Number(month.slice(5, 7)) - 1] + " " + month.slice(0, 4);
  }

  // --- the amounts ---
  function keeps(which) {
    var c = data.amounts[which], n = c.at.shop_id.length, out = new Uint8Array(n);
    for (var i = 0; i < n; i++) {
      var month = c.members.month[c.at.month[i]];
      if (state.shop && c.members.shop_id[c.at.shop_id[i]] !== state.shop) continue;
      if ((state.from || state.to) && month === "unknown") continue;
      if (state.from && month < state.from) continue;
      if (state.to && month > state.to) continue;
      if (state.role && c.at.product_id && data.roles[c.members.product_id[c.at.product_id[i]]] !== state.role) continue;
      out[i] = 1;
    }
    return out;
  }
  var memory = {};
  function sums(which, dim) {  // dim "" -> {"": measures}; else member -> measures
    var name = which + "|" + dim;
    if (memory[name]) return memory[name];
    var c = data.amounts[which], keep = memory[which] || (memory[which] = keeps(which)), out = {};
    var measures = Object.keys(c.m);
    (dim ? c.members[dim] : [""]).forEach(function (member) {
      out[member] = { rows: 0 };
      measures.forEach(function (m) { out[member][m] = 0; });
    });
    for (var i = 0; i < keep.length; i++) {
      if (!keep[i]) continue;
      var to = out[dim ? c.members[dim][c.at[dim][i]] : ""];
      to.rows++;
      for (var j = 0; j < measures.length; j++) to[measures[j]] += c.m[measures[j]][i];
    }
    if (c.widths) ends(c, keep, dim, out);
    if (which === "ledger") Object.keys(out).forEach(function (member) {
      Object.keys(data.see).forEach(function (s) { out[member]["lost." + s] = out[member]["poured." + s] - out[member]["useful." + s]; });
    });
    return (memory[name] = out);
  }
  // The 95 % ends of what landed or missed, as joint_widths.py says: loadings summed by direction, squared and added.
  function unpacked(w) {
    if (w.ready) return w;
    var read = function (text, Kind) {
      var bytes = atob(text), out = new Uint8Array(bytes.length);
      for (var i = 0; i < bytes.length; i++) out[i] = bytes.charCodeAt(i);
      return new Kind(out.buffer);
    };
    ["landed", "over"].forEach(function (part) {
      w[part] = { start: read(w[part + "_start"], Uint32Array), at: read(w[part + "_at"], Uint16Array),
        value: read(w[part + "_value"], Float32Array), own: read(w[part + "_own"], Float32Array) };
    });
    w.ready = true;
    return w;
  }
  function ends(c, keep, dim, out) {
    var w = unpacked(c.widths);
    Object.keys(data.see).forEach(function (see) {
      var total = {};
      for (var i = 0; i < keep.length; i++) {
        if (!keep[i]) continue;
        var solids = c.m["over_build.solids"][i] + c.m["useful.solids"][i];
        var k = solids > 0 ? (c.m["over_build." + see][i] + c.m["useful." + see][i]) / solids : 0;
        var name = dim ? c.members[dim][c.at[dim][i]] : "";
        var to = total[name] || (total[name] = { landed: new Float64Array(w.n), over: new Float64Array(w.n), own: [0, 0] });
        ["landed", "over"].forEach(function (part, p) {
          var m = w[part];
          for (var j = m.start[i]; j < m.start[i + 1]; j++) to[part][m.at[j]] += k * m.value[j];
          to.own[p] += k * k * m.own[i];
        });
      }
      Object.keys(total).forEach(function (name) {
        var t = total[name], s = out[name], square = { overspray: t.own[0], over_build: t.own[1], useful: t.own[0] + t.own[1] };
        for (var j = 0; j < w.n; j++) {
          square.overspray += t.landed[j] * t.landed[j];
          square.over_build += t.over[j] * t.over[j];
          square.useful += (t.landed[j] - t.over[j]) * (t.landed[j] - t.over[j]);
        }
        var most = s["overspray." + see] + s["over_build." + see] + s["useful." + see];
        Object.keys(square).forEach(function (part) {
          var full = part + "." + see, u = w.z95 * Math.sqrt(square[part]);
          s[full + ".low"] = Math.min(Math.max(s[full] - u, 0), most);
          s[full + ".high"] = Math.min(Math.max(s[full] + u, 0), most);
        });
        s["lost." + see + ".low"] = Math.max(0, s["poured." + see] - s["useful." + see + ".high"]);
        s["lost." + see + ".high"] = Math.max(0, s["poured." + see] - s["useful." + see + ".low"]);
      });
    });
  }
  function context(el) {  // the sums that a bound number or strip speaks of
    if (!el.speaks) {  // found once: where it stands does not change
      var which = el.closest("[data-amounts]"), row = el.closest("tr[data-key]"), table = row && row.closest("table[data-by]");
      el.speaks = [which ? which.dataset.amounts : "ledger", table ? table.dataset.by : "", table ? row.dataset.key : ""];
    }
    return sums(el.speaks[0], el.speaks[1])[el.speaks[2]];
  }

  // --- writing it into the page ---
  function numbers() {
    document.querySelectorAll("[data-m]").forEach(function (el) {
      var s = context(el), at = see(), full = el.dataset.m.replace("*", at);
      if (!s || (s.rows === 0 && el.closest("tbody tr[data-key]"))) return;  // such a row is not shown
      var kind = el.dataset.kind === "*" ? data.see[at][1] : el.dataset.kind;
      var of = el.dataset.of ? s[el.dataset.of.replace("*", at)] : 1;
      var low = s[full + ".low"], high = s[full + ".high"];
      flipped = "other" in el.dataset;
      el.textContent = el.dataset.of && !(of > 0) ? data.words.unknown
        : phrase(s[full] / of, kind, low === undefined ? null : low / of, high === undefined ? null : high / of,
          "bare" in el.dataset);
      flipped = false;
    });
    document.querySelectorAll("[data-u]").forEach(function (el) {
      var d = el.dataset;
      el.textContent = phrase(num(d.v), d.u, num(d.lo), num(d.hi), "bare" in d);
    });
    document.querySelectorAll("[data-border]").forEach(function (el) {
      var v = Number(el.dataset.border), kind = el.dataset.kind, other = v / factor(kind);
      el.textContent = (units() === "us" ? plain(other, other < 5 ? 1 : 0) : String(v)) + data.words.thin + unitWord(kind);
    });
    document.querySelectorAll("table.guide tbody tr").forEach(function (tr) {
      tr.querySelectorAll("td").forEach(function (td, i) {  // four area classes and the middle per area, then volumes
        if (td.dataset.q === undefined) return;
        var say = function (v) {
          var x = shown(Number(v), i < 5 ? "spread_ml_per_m2" : "volume_ml");
          return plain(x, units() === "us" ? (x < 10 ? 2 : 1) : 0);
        };
        if (td.dataset.w) { td.firstChild.textContent = say(td.dataset.q); td.lastChild.textContent = " " + say(td.dataset.w); }
        else td.textContent = say(td.dataset.q);
      });
    });
    document.querySelectorAll("[data-unit]").forEach(function (el) {
      var kind = el.dataset.unit === "*" ? data.see[see()][1] : el.dataset.unit;
      flipped = "other" in el.dataset;
      el.textContent = unitWord(kind) || "money";
      flipped = false;
    });
    document.querySelectorAll("[data-see-word]").forEach(function (el) {
      el.textContent = data.see[see()][el.dataset.seeWord === "of" ? 2 : 0];
    });
    document.querySelectorAll("[data-when]").forEach(function (el) {
      var text = when(el.closest("[data-amounts]"));
      el.textContent = el.dataset.when === "sentence" ? text[0].toUpperCase() + text.slice(1) : text;
    });
  }
  function num(text) { return text === undefined ? null : Number(text); }
  function periods(which) {
    return data.amounts[which].periods.filter(function (m) { return (!state.from || m >= state.from) && (!state.to || m <= state.to); });
  }
  function when(within) {  // the months kept, of the amounts spoken of (usage may go on after the last cup)
    var which = within ? within.dataset.amounts : data.amounts.ledger ? "ledger" : "emissions";
    if (!data.amounts[which]) return "all data";
    var kept = periods(which);
    if (!kept.length) return "in no month";
    var first = kept[0], last = kept[kept.length - 1];
    return first === last ? "in " + monthWord(first) : "from " + monthWord(first) + " to " + monthWord(last);
  }
  function shares(s) {
    var at = see(), poured = s["poured." + at], out = {};
    data.parts.forEach(function (p) { out[p[0]] = poured > 0 ? Math.max(0, s[p[0] + "." + at]) / poured : 0; });
    return out;
  }
  function strips() {
    var words = {};
    data.parts.forEach(function (p) { words[p[0]] = p[1]; });
    document.querySelectorAll("svg[data-strip]").forEach(function (svg) {
      var within = svg.closest("[data-amounts]"), s = within && data.amounts[within.dataset.amounts] && context(svg);
      if (!s || (s.rows === 0 && svg.closest("tr[data-key]"))) return;
      var parts = shares(s), x = {}, at = 0, said = [];
      data.parts.forEach(function (p) {
        x[p[0]] = at;
        at += 100 * parts[p[0]];
        if (parts[p[0]] > 0) said.push(p[1] + " " + phrase(parts[p[0]], "per100"));
      });
      svg.setAttribute("aria-label", said.length ? said.join(", ") + " of 100 poured" : "nothing poured");
      svg.querySelectorAll("rect").forEach(function (r) {
        var part = r.dataset.part, word = words[part];
        r.setAttribute("x", x[part].toFixed(2) + "%");
        r.setAttribute("width", (100 * parts[part]).toFixed(2) + "%");
        r.querySelector("title").textContent = word + " " + phrase(parts[part], "per100") + " of 100";
      });
    });
  }
  function rows() {
    document.querySelectorAll("table[data-by] tr[data-key]").forEach(function (tr) {
      var s = context(tr.firstElementChild);
      tr.hidden = !s || s.rows === 0;
    });
    document.querySelectorAll("table[data-sort]").forEach(function (table) {
      var measure = table.dataset.sort.replace("*", see()), body = table.tBodies[0];
      var value = function (tr) { return context(tr.firstElementChild)[measure]; };
      Array.prototype.slice.call(body.rows).sort(function (a, b) {
        return value(b) - value(a) || (a.dataset.key < b.dataset.key ? -1 : 1);
      }).forEach(function (tr) { body.appendChild(tr); });
    });
    document.querySelectorAll("tr[data-shop], tr[data-role], tr[data-month], [data-map], article[data-shop]").forEach(function (el) {
      var d = el.dataset, within = d.role && el.closest("[data-role-default]");
      var role = state.role || (within ? within.dataset.roleDefault : "");
      el.hidden = Boolean((state.shop && d.shop && d.shop.split(" ").indexOf(state.shop) < 0) ||
        (role && d.role && d.role !== role) ||
        (d.month && ((state.from && d.month < state.from) || (state.to && d.month > state.to))));
    });
    document.querySelectorAll("[data-role-word]").forEach(function (el) {
      el.textContent = (state.role || el.dataset.roleWord).replace(/_/g, " ");
    });
    document.querySelectorAll("[data-none]").forEach(function (el) {  // said where a choice leaves nothing
      el.hidden = Boolean(el.parentNode.querySelector("[data-map]:not([hidden]), tbody tr:not([hidden])"));
    });
  }

  // --- long tables: the first rows stand open; more unfold, are found by a word, are sorted by a click on a head ---
  var OPEN = 6;
  function tame() {
    document.querySelectorAll("main table:not(.savings):not(.fit):not(.unfolded)").forEach(function (table) {
      var body = table.tBodies[0];
      if (!body || body.rows.length <= OPEN || table.closest("[data-rows]")) return;
      var bar = document.createElement("p"), all = document.createElement("button"), find = document.createElement("input");
      bar.className = "more";
      all.type = "button";
      find.type = "search"; find.placeholder = "find in these rows";
      find.setAttribute("aria-label", "find in: " + (table.caption ? table.caption.textContent : "table"));
      bar.appendChild(all); bar.appendChild(find);
      (table.closest(".scroll") || table).after(bar);
      table.tamed = { all: all, find: find };
      all.addEventListener("click", function () { table.tamed.open = !table.tamed.open; clip(table); });
      find.addEventListener("input", function () { clip(table); });
      if (table.querySelector("[rowspan]")) return;
      Array.prototype.forEach.call(table.tHead.rows[0].cells, function (th, at) {
        var button = document.createElement("button");
        button.type = "button"; button.className = "sort";
        while (th.firstChild) button.appendChild(th.firstChild);
        th.appendChild(button);
        button.addEventListener("click", function () {
          var down = th.getAttribute("aria-sort") === "ascending";
          Array.prototype.forEach.call(th.parentNode.cells, function (c) { c.removeAttribute("aria-sort"); });
          th.setAttribute("aria-sort", down ? "descending" : "ascending");
          Array.prototype.slice.call(body.rows).sort(function (a, b) { return (down ? -1 : 1) * compare(worth(a.cells[at]), worth(b.cells[at])); })
            .forEach(function (tr) { body.appendChild(tr); });
          clip(table);
        });
      });
    });
  }
  function worth(cell) {  // a number where a cell begins with one, else its text
    if (!cell) return null;
    var bound = cell.querySelector("[data-v]"), said = cell.textContent.trim().split(data.words.thin).join("").replace(/,(?=\d{3})/g, "");
    var number = bound ? Number(bound.dataset.v) : parseFloat(said);
    return isFinite(number) && (bound || /^-?[\d.]+/.test(said)) && !/^\d{4}-/.test(said) ? number : said;
  }
  function compare(a, b) {  // what is not known stands last
    if (a === b) return 0;
    if (a === null || a === "\u2013") return 1;
    if (b === null || b === "\u2013") return -1;
    return typeof a === typeof b ? (a < b ? -1 : 1) : typeof a === "number" ? -1 : 1;
  }
  function clip(table) {
    var t = table.tamed, word = t.find.value.trim().toLowerCase(), n = 0;
    Array.prototype.forEach.call(table.tBodies[0].rows, function (tr) {
      var found = !word || tr.textContent.toLowerCase().indexOf(word) >= 0;
      if (found && !tr.hidden) n++;
      tr.classList.toggle("beyond", !found || (!t.open && n > OPEN));
    });
    t.all.hidden = n <= OPEN && !word;
    t.all.textContent = t.open ? "Fewer rows" : n <= OPEN ? plain(n, 0) + " found" : "All " + plain(n, 0) + " rows";
  }

  // --- what to do: the first lines of the shop that is chosen ---
  function todo() {
    var box = document.getElementById("todo");
    if (!box) return;
    var n = 0, rules = 0, button = box.querySelector(".more button"), open = button.dataset.open;
    box.querySelectorAll("li").forEach(function (li) {
      if (!li.hidden) { n++; if (li.classList.contains("rule")) rules++; }
      li.classList.toggle("beyond", !open && n > Number(box.dataset.open));
    });
    box.querySelectorAll("[data-urgent]").forEach(function (el) { el.textContent = rules ? plain(rules, 0) : "none"; });
    button.parentNode.hidden = n <= Number(box.dataset.open);
    button.textContent = open ? "Fewer" : "All " + plain(n, 0);
    button.onclick = function () { if (open) delete button.dataset.open; else button.dataset.open = "1"; todo(); };
  }

  // --- the rows behind a figure, for the present choice: files of one shop each, read when they are asked for (evidence.py) ---
  var PAGE = 25, store = {}, waiting = {};
  function fetched(kind, shops, then) {
    var missing = shops.filter(function (s) { return !store[kind + "|" + s]; });
    if (!missing.length) { then(); return; }
    missing.forEach(function (shop) {
      var name = kind + "|" + shop;
      if (!waiting[name]) {
        var script = document.createElement("script");
        script.src = data.evidence[kind].files[shop];
        document.head.appendChild(script);
      }
      (waiting[name] = waiting[name] || []).push(function () { if (shops.every(function (s) { return store[kind + "|" + s]; })) then(); });
    });
  }
  function grain(month, like) {  // a month in the periods that choices are made in
    if (like.length === 4) return month.slice(0, 4);
    return like[5] === "Q" ? month.slice(0, 4) + "-Q" + Math.ceil(Number(month.slice(5, 7)) / 3) : month;
  }
  function cell(kind, shop, name, i) {
    var column = store[kind + "|" + shop].columns[name];
    return Array.isArray(column) ? column[i] : column.at[i] < 0 ? null : column.words[column.at[i]];
  }
  function shownColumns(kind) {  // of amounts in three ways of counting, those of the way that is chosen
    var suffix = "_" + data.see[see()][3], all = Object.keys(data.see).map(function (k) { return "_" + data.see[k][3]; });
    return data.evidence[kind].columns.filter(function (c) {
      return kind !== "ledger" || c[0].slice(-suffix.length) === suffix || !all.some(function (x) { return c[0].slice(-x.length) === x; });
    });
  }
  function kept(kind, shops, cup, only) {  // [shop, row] of what the choice keeps; only: [column, what must stand in it]
    var out = [];
    shops.forEach(function (shop) {
      var made = store[kind + "|" + shop];
      if (only && only[0] === "shop_id" && shop !== only[1]) return;
      for (var i = 0; i < made.n; i++) {
        if (only && only[0] === "month") { if (grain(cell(kind, shop, "month", i) || "", only[1]) !== only[1]) continue; }
        else if (only && only[0] !== "shop_id" && (cell(kind, shop, only[0], i) || "unknown") !== only[1]) continue;
        if (cup) { if (cell(kind, shop, "mix_id", i) === cup) out.push([shop, i]); continue; }
        if (made.columns.month && (state.from || state.to)) {
          var month = cell(kind, shop, "month", i);
          if (month === null || (state.from && grain(month, state.from) < state.from) || (state.to && grain(month, state.to) > state.to)) continue;
        }
        if (state.role && kind === "ledger" && cell(kind, shop, "role", i) !== state.role) continue;
        out.push([shop, i]);
      }
    });
    return out;
  }
  var ADDED = ["mass_g", "mass_kg", "volume_ml", "volume_l", "cost"];
  function said(value, column) {
    if (value === null) return "\u2013";
    if (column[0] === "product_id") return data.products[value] || value;
    if (column[0] === "month") return monthWord(value);
    if (column[0] === "file_line" || column[0] === "operation_no") return String(value);
    if (!column[2]) return column[0].slice(-3) === "_id" || column[0] === "file" ? value : String(value).replace(/_/g, " ");
    if (column[2] === "plain") return plain(value, digits(value));
    return phrase(value, column[2], null, null, true);
  }
  function make(tag, text, into) {
    var el = document.createElement(tag);
    if (text !== undefined && text !== null) el.textContent = text;
    if (into) into.appendChild(el);
    return el;
  }
  function behind() {  // each row of a table of sums opens the rows that it is the sum of
    document.querySelectorAll("table[data-by]").forEach(function (table) {
      var kind = table.dataset.amounts || (table.closest("[data-amounts]") || { dataset: {} }).dataset.amounts, by = table.dataset.by;
      var box = kind && document.querySelector('details[data-rows="' + kind + '"]');
      if (!box || !data.evidence[kind]) return;
      table.querySelectorAll("tbody tr[data-key]").forEach(function (tr) {
        if (tr.dataset.key === "coating") return;  // many categories together
        var th = tr.cells[0], word = th.textContent.trim(), button = make("button", "rows", th);
        button.type = "button"; button.className = "behind";
        button.setAttribute("aria-label", "The rows behind " + word);
        button.addEventListener("click", function () {
          box.seen = { page: 0, find: "", only: [by, tr.dataset.key], word: "Only " + word };
          if (box.open) browse(box); else box.open = true;
          jump(box.querySelector(".browser"));
        });
      });
    });
  }
  function browse(box) {
    var kind = box.dataset.rows, spec = data.evidence[kind], into = box.querySelector(".browser"), s = box.seen || (box.seen = { page: 0, find: "" });
    var shops = spec ? Object.keys(spec.files).filter(function (x) { return !state.shop || x === state.shop; }) : [];
    if (!shops.length) { into.textContent = "No rows stand behind this choice."; return; }
    if (shops.length > 12) { into.textContent = "Choose a shop above: the rows of all shops together are many."; return; }
    fetched(kind, shops, function () { table(into, kind, kept(kind, shops, "", s.only), s, function () { browse(box); }, shops); });
  }
  function table(into, kind, rows, s, again, shops, cup) {
    var columns = shownColumns(kind), many = !cup && shops.length > 1, word = s.find.trim().toLowerCase();
    if (word) rows = rows.filter(function (r) {
      return columns.some(function (c) { var v = cell(kind, r[0], c[0], r[1]); return v !== null && said(v, c).toLowerCase().indexOf(word) >= 0; });
    });
    if (s.by) rows = rows.slice().sort(function (a, b) {
      return (s.down ? -1 : 1) * compare(cell(kind, a[0], s.by, a[1]), cell(kind, b[0], s.by, b[1]));
    });
    s.page = Math.min(s.page, Math.max(0, Math.ceil(rows.length / PAGE) - 1));
    var first = s.page * PAGE, focus = document.activeElement && into.contains(document.activeElement) ? document.activeElement.dataset.name : "";
    into.textContent = "";
    var bar = make("p", null, into);
    bar.className = "more";
    make("span", rows.length ? plain(first + 1, 0) + data.words.range + plain(Math.min(first + PAGE, rows.length), 0) + " of " + plain(rows.length, 0) + " rows"
      : "No rows for this choice.", bar);
    if (s.only) {
      make("strong", s.word, bar);
      var all = make("button", "Rows of all", bar);
      all.type = "button"; all.dataset.name = "all";
      all.addEventListener("click", function () { s.only = null; s.page = 0; again(); });
    }
    var lacking = shops.reduce(function (sum, x) { return sum + store[kind + "|" + x].of - store[kind + "|" + x].n; }, 0);
    if (lacking) make("span", plain(lacking, 0) + " earlier rows stand in out/tables/" + data.evidence[kind].table + ".parquet alone", bar);
    [["Before", -1], ["Next", 1]].forEach(function (b) {
      var button = make("button", b[0], bar);
      button.type = "button"; button.dataset.name = b[0];
      button.disabled = b[1] < 0 ? s.page === 0 : first + PAGE >= rows.length;
      button.addEventListener("click", function () { s.page += b[1]; again(); });
    });
    var find = make("input", null, bar), save = make("button", "Save as CSV", bar);
    find.type = "search"; find.value = s.find; find.placeholder = "find in these rows"; find.dataset.name = "find";
    find.setAttribute("aria-label", "find in these rows");
    find.addEventListener("input", function () { s.find = find.value; s.page = 0; again(); });
    save.type = "button";
    save.addEventListener("click", function () { csv(kind, columns, rows); });
    var scroll = make("div", null, into), t = make("table", null, scroll);
    scroll.className = "scroll"; scroll.tabIndex = 0;
    scroll.setAttribute("role", "region"); scroll.setAttribute("aria-label", "Rows of " + data.evidence[kind].table);
    var caption = make("caption", "Table " + data.evidence[kind].table + (cup ? "" : ", the rows of this choice"), t);
    caption.className = "quiet";
    var head = make("tr", null, make("thead", null, t)), body = make("tbody", null, t);
    if (many) make("th", "shop", head).scope = "col";
    columns.forEach(function (c) {
      var th = make("th", null, head), button = make("button", c[1], th), unit = c[2] && c[2] !== "plain" ? unitWord(c[2]) : "";
      th.scope = "col"; th.title = c[3]; button.type = "button"; button.className = "sort"; button.dataset.name = c[0];
      if (c[2]) th.className = "num";
      if (unit) make("span", unit, th).className = "unit";
      if (s.by === c[0]) th.setAttribute("aria-sort", s.down ? "descending" : "ascending");
      button.addEventListener("click", function () { s.down = s.by === c[0] && !s.down; s.by = c[0]; s.page = 0; again(); });
    });
    rows.slice(first, first + PAGE).forEach(function (r) {
      var tr = make("tr", null, body);
      if (many) make("td", data.shops[r[0]] || r[0], tr);
      columns.forEach(function (c) {
        var v = cell(kind, r[0], c[0], r[1]), td = make("td", null, tr);
        if (c[2]) td.className = "num";
        if (c[0] === "mix_id" && v !== null && !cup && data.evidence.pours) {
          var a = make("a", v, td);
          a.href = address({ cup: r[0] + "|" + v });
          a.dataset.cup = "";
        } else td.textContent = said(v, c);
      });
    });
    if (rows.length > 1 && columns.some(function (c) { return ADDED.indexOf(c[2]) >= 0; })) {
      var sum = make("tr", null, make("tfoot", null, t));
      if (many) make("td", "all " + plain(rows.length, 0) + " rows", sum);
      columns.forEach(function (c, at) {
        var td = make("td", null, sum), total = 0, any = false;
        if (ADDED.indexOf(c[2]) < 0) { if (!many && at === 0) td.textContent = "all " + plain(rows.length, 0) + " rows"; return; }
        rows.forEach(function (r) { var v = cell(kind, r[0], c[0], r[1]); if (v !== null) { total += v; any = true; } });
        td.className = "num"; td.dataset.sum = c[0]; td.dataset.total = total;
        td.textContent = any ? phrase(total, c[2], null, null, true) : "\u2013";
      });
    }
    var to = focus && into.querySelector('[data-name="' + focus + '"]');
    if (to) { to.focus(); if (focus === "find") to.setSelectionRange(s.find.length, s.find.length); }
  }
  function csv(kind, columns, rows) {  // as published: metric, by the columns' own names
    var quoted = function (v) { return v === null ? "" : /[",\n\r]/.test(v) ? '"' + String(v).replace(/"/g, '""') + '"' : String(v); };
    var lines = [["shop_id"].concat(columns.map(function (c) { return c[0]; })).join(",")];
    rows.forEach(function (r) {
      lines.push([r[0]].concat(columns.map(function (c) { return cell(kind, r[0], c[0], r[1]); })).map(quoted).join(","));
    });
    var a = make("a");
    a.href = URL.createObjectURL(new Blob([lines.join("\r\n") + "\r\n"], { type: "text/csv" }));
    a.download = "filmledger-" + data.evidence[kind].table + ".csv";
    a.click();
  }
  var opened = "";
  function cup() {  // one cup: its pours with file and line, where it went, what was booked of it
    var box = document.getElementById("cup"), of = state.cup.split("|"), shop = of[0], mix = of.slice(1).join("|");
    if (!box || (opened === state.cup && box.dataset.see === see() + units())) return;
    var fresh = opened !== state.cup;
    opened = state.cup;
    box.dataset.see = see() + units();
    box.hidden = !mix;
    box.textContent = "";
    if (!mix) return;
    make("h2", "Cup " + mix + (data.shops[shop] ? ", " + data.shops[shop] : ""), box).tabIndex = -1;
    var close = make("a", "Close this cup", make("p", null, box));
    close.href = address(null, ["cup"]) || "#";
    [["pours", "What was poured, and the file and line each pour was read from"], ["ledger", "Where it went, operation by operation"],
      ["emissions", "What was booked of it"]].forEach(function (part) {
      if (!data.evidence[part[0]] || !data.evidence[part[0]].files[shop]) return;
      var at = make("div", null, box), s = { page: 0, find: "" };
      fetched(part[0], [shop], function again() {
        var rows = kept(part[0], [shop], mix);
        if (!rows.length) return;
        at.textContent = "";
        make("h3", part[1], at);
        table(make("div", null, at), part[0], rows, s, again, [shop], mix);
      });
    });
    if (fresh) { box.scrollIntoView(); box.firstChild.focus({ preventScroll: true }); }
  }

  // --- this period against the one before and the year before, as pages/compare.py says ---
  function spans() {
    var all = data.amounts.ledger.periods, quarterly = all.length && all[0][5] === "Q", yearly = all.length && all[0].length === 4;
    var at = [], year = yearly ? 1 : quarterly ? 4 : 12, quarter = yearly || quarterly ? 1 : 3;
    all.forEach(function (p, i) { if ((!state.from || p >= state.from) && (!state.to || p <= state.to)) at.push(i); });
    if (!state.from && !state.to) at = at.slice(-quarter);
    var moved = function (by) { return at.length && at[0] >= by ? at.map(function (i) { return all[i - by]; }) : []; };
    return { now: moved(0), before: moved(at.length), year: moved(year) };
  }
  function compared() {
    var box = document.querySelector("[data-compare]");
    if (!box || !data.amounts.ledger) return;
    var c = data.amounts.ledger, at = see(), found = spans(), n = c.at.shop_id.length, poured = {};
    var landed = ["over_build." + at, "useful." + at], chosen = { from: state.from, to: state.to };
    state.from = state.to = "";
    var keep = keeps("ledger");
    state.from = chosen.from; state.to = chosen.to;
    var inside = function (name, i) { return keep[i] && found[name].indexOf(c.members.month[c.at.month[i]]) >= 0; };
    var square = function (weight) {  // of what became useful film, weighted
      if (!c.widths) return null;
      var w = unpacked(c.widths), along = new Float64Array(w.n), own = 0;
      for (var i = 0; i < n; i++) {
        var x = weight(i), solids = c.m["over_build.solids"][i] + c.m["useful.solids"][i];
        if (!x || !(solids > 0)) continue;
        x *= (c.m[landed[0]][i] + c.m[landed[1]][i]) / solids;
        for (var j = w.landed.start[i]; j < w.landed.start[i + 1]; j++) along[w.landed.at[j]] += x * w.landed.value[j];
        for (j = w.over.start[i]; j < w.over.start[i + 1]; j++) along[w.over.at[j]] -= x * w.over.value[j];
        own += x * x * (w.landed.own[i] + w.over.own[i]);
      }
      return along.reduce(function (sum, v) { return sum + v * v; }, own);
    };
    var kind = data.see[at][1], rate = {};
    ["now", "before", "year"].forEach(function (name) {
      var p = 0, useful = 0, most = 0, row = box.querySelector('[data-span="' + name + '"]');
      for (var i = 0; i < n; i++) if (inside(name, i)) {
        p += c.m["poured." + at][i]; useful += c.m["useful." + at][i];
        most += c.m["overspray." + at][i] + c.m["over_build." + at][i] + c.m["useful." + at][i];
      }
      poured[name] = p; rate[name] = p > 0 ? (p - useful) / p : null;
      var u2 = square(function (i) { return inside(name, i) ? 1 : 0; }), u = u2 === null ? null : c.widths.z95 * Math.sqrt(u2);
      var low = u === null ? null : Math.max(0, p - Math.min(Math.max(useful + u, 0), most));
      var high = u === null ? null : Math.max(0, p - Math.min(Math.max(useful - u, 0), most));
      var months = found[name], put = function (key, text) { row.querySelector('[data-c="' + key + '"]').textContent = text; };
      put("when", !months.length ? "no data" : months.length === 1 ? "in " + monthWord(months[0])
        : "from " + monthWord(months[0]) + " to " + monthWord(months[months.length - 1]));
      put("poured", months.length ? phrase(p, kind, null, null, true) : data.words.unknown);
      put("lost", p > 0 ? phrase(p - useful, kind, low, high, true) : data.words.unknown);
      put("rate", p > 0 ? phrase((p - useful) / p, "per100", low === null ? null : low / p, high === null ? null : high / p) : data.words.unknown);
    });
    ["before", "year"].forEach(function (name, k) {
      var el = box.querySelector('[data-change="' + (k + 1) + '"]'), against = k ? "the same a year earlier" : "the one before";
      if (rate.now === null || rate[name] === null) { el.textContent = "Against " + against + ": nothing to compare with."; return; }
      var value = rate.now - rate[name], more = value > 0 ? "more" : "less", size = Math.abs(value);
      var u2 = square(function (i) { return (inside("now", i) ? 1 / poured.now : 0) - (inside(name, i) ? 1 / poured[name] : 0); });
      var half = u2 === null ? 0 : c.widths.z95 * Math.sqrt(u2), z = half ? size / (half / c.widths.z95) : 0;
      var word = half ? data.words.steps.filter(function (s) { return z > s[0] || s[0] === 0; })[0][1] : data.words.unknown;
      var text = half ? phrase(size, "per100", size - half, size + half) : phrase(size, "per100");
      el.textContent = "Against " + against + " that is " + text + " " + more + " of every 100 poured: " + word + ".";
    });
  }

  // --- what if: proportions, as reports/pages/savings.py says ---
  function years(value, low, high) {
    if (!(value > 0)) return low === null ? "never, by the middle figure" : plain(low, 1) + " years at best, or never";
    var ends = low === null ? "" : " (" + plain(low, 1) + " to " + (high === null ? "no end" : plain(high, 1)) + ")";
    return plain(value, 1) + " years" + ends;
  }
  function whatIf() {
    var form = document.querySelector("form.whatif"), made = document.getElementById("json-savings");
    if (!form || !made) return;
    var told = form.made || (form.made = JSON.parse(made.textContent)), shops = told.shops, chosen = shops[state.shop || told.all];
    var jobs = (chosen && chosen.jobs || 0) / 12, typed = form.elements.jobs, gun = form.elements.gun;
    if (!typed.dataset.own) typed.value = jobs ? Math.round(10 * jobs) / 10 : "";
    var more = typed.dataset.own && jobs > 0 && typed.value !== "" ? Math.max(0, Number(typed.value)) / jobs : 1;
    var price = 1 + Number(form.elements.price.value || 0) / 100, at = {}, edges = [0];
    var scaled = function (amounts) {  // cost, VOC, solids, each with its ends
      return amounts.map(function (ends, i) { return ends.map(function (v) { return v === null ? null : v * more * (i === 0 ? price : 1); }); });
    };
    var fill = function (tr, amounts) {
      ["cost", "voc", "solids"].forEach(function (k, i) {
        var el = tr.querySelector('[data-amount="' + k + '"] [data-u]'), a = amounts[i];
        if (!el || a[0] === null) return;
        ["v", "lo", "hi"].forEach(function (n, end) { if (a[end] !== null) el.dataset[n] = Number(a[end].toPrecision(6)); else delete el.dataset[n]; });
        el.textContent = phrase(a[0], el.dataset.u, a[1], a[2], true);
      });
    };
    var rows = Array.prototype.slice.call(document.querySelectorAll("table.savings tr[data-lever]"));
    rows.forEach(function (tr) {
      var of = tr.dataset.shop ? (!state.shop && told.grouped || state.shop && state.shop !== tr.dataset.shop ? null : shops[tr.dataset.shop]) : chosen;
      var levers = of && of.levers[tr.dataset.lever];
      at[tr.dataset.lever] = levers ? scaled(levers) : [[null, null, null], [null, null, null], [null, null, null]];
      at[tr.dataset.lever][0].forEach(function (v) { if (v !== null) edges.push(v); });
    });
    var total = document.querySelector("table.savings tr[data-total]");
    if (total && chosen) fill(total, scaled(chosen.whole));
    var most = document.querySelector("[data-best]");
    if (most) {  // the changes that save most, and their sum with its joint interval
      var named = rows.filter(function (tr) { return tr.dataset.lever !== "gun" && at[tr.dataset.lever][0][0] > 0; }).sort(function (a, b) {
        return at[b.dataset.lever][0][0] - at[a.dataset.lever][0][0] || (a.dataset.lever < b.dataset.lever ? -1 : 1);
      }).slice(0, told.most);
      var ends = chosen && scaled([chosen.best])[0];
      most.hidden = !named.length || !ends || ends[0] === null;
      if (!most.hidden) most.textContent = "Most is saved by: " + named.map(function (tr) {
        var said = tr.cells[0].firstChild.data; return said[0].toLowerCase() + said.slice(1).trim();
      }).join("; ") + ". Together " + phrase(ends[0], "cost", ends[1], ends[2]) + " a year, " + data.words.steps.filter(function (s) {
        return ends[0] * 2 * data.words.z95 / (ends[2] - ends[1]) > s[0] || s[0] === 0;
      })[0][1] + ".";
    }
    var least = Math.min.apply(null, edges), span = Math.max.apply(null, edges) - least;
    var place = function (v) { return span > 0 ? 100 * Math.min(1, Math.max(0, (v - least) / span)) : 0; };
    rows.forEach(function (tr) {
      var l = at[tr.dataset.lever], svg = tr.querySelector("svg");
      tr.hidden = l[0][0] === null;
      fill(tr, l);
      if (svg && l[0][0] !== null) {
        var low = place(l[0][1] === null ? l[0][0] : l[0][1]), high = place(l[0][2] === null ? l[0][0] : l[0][2]);
        var band = svg.querySelector(".band"), zero = svg.querySelector(".typical");
        band.setAttribute("x", low.toFixed(2) + "%");
        band.setAttribute("width", Math.max(0, high - low).toFixed(2) + "%");
        zero.setAttribute("x1", place(0).toFixed(2) + "%");
        zero.setAttribute("x2", place(0).toFixed(2) + "%");
        svg.querySelector(".mark").setAttribute("cx", place(l[0][0]).toFixed(2) + "%");
      }
      var paid = tr.querySelector(".payback"), own = tr.dataset.price === undefined ? null : Number(tr.dataset.price);
      if (tr.dataset.shop && own !== null) {
        if (gun && gun.value !== "") own = Number(gun.value);
        var over = function (v) { return v !== null && v > 0 ? own / v : null; };
        paid.textContent = years(over(l[0][0]), over(l[0][2]), over(l[0][1]));
      }
    });
  }

  // --- how much for one job: as pipelines/transfer/decisions/mix_answer.py says ---
  function offer(select, options) {  // [value, text] each; what was chosen stays where it is still on offer
    var kept = select.value;
    select.textContent = "";
    options.forEach(function (o) { var el = make("option", o[1], select); el.value = o[0]; });
    if (options.some(function (o) { return o[0] === kept; })) select.value = kept;
  }
  function outcome(line, gun, size, area, level, levels, second) {  // mL to mix, what running short and what is left cost on average
    var x = size.at.map(function (v) { return area * v + gun.flush; }), last = x.length - 1, least = line.least || 0;
    var s = levels.map(function (n) { return 1 - n / 100; }), mix = Math.max(x[level], least);
    var dying = (x[last] - x[last - 1]) / Math.log(s[last - 1] / s[last]);
    var beyond = s[last] * Math.exp(-Math.max(mix - x[last], 0) / dying), short = beyond, missing = beyond * dying;
    for (var i = 0; i < last; i++) {
      var from = Math.min(Math.max(mix, x[i]), x[i + 1]), at = s[i] + (s[i + 1] - s[i]) * (from - x[i]) / (x[i + 1] - x[i]);
      missing += (x[i + 1] - from) * (at + s[i + 1]) / 2;
      if (mix >= x[i] && mix < x[i + 1]) short = at;
    }
    var left = Math.max(mix - (area * size.usual + gun.flush) + missing, 0), price = line.price;
    var known = price !== null && second !== null;
    return { mix: mix, left: known ? left * price : null,
      short: known ? short * (second + gun.flush * price) + Math.max(short * least - missing, 0) * price : null };
  }
  function ranked(line) {  // guns that fit first, of these the ones that land most
    var worse = { fits: 0, unknown: 1, misfit: 2, not_allowed: 3 }, te = function (g) { return g.te[0] === null ? -1 : g.te[0]; };
    return Object.keys(line.guns).sort(function (a, b) {
      var g = line.guns[a], h = line.guns[b];
      return worse[g.fit] - worse[h.fit] || te(h) - te(g) || (a < b ? -1 : 1);
    });
  }
  function reckon() {
    var form = document.querySelector("form.reckoner"), made = document.getElementById("json-bench");
    if (!form || !made) return;
    var all = form.made || (form.made = JSON.parse(made.textContent)), f = form.elements, fits = { fits: "fits", unknown: "fit not known", not_allowed: "not allowed here" };
    var lines = all.lines.filter(function (l) { return (!state.shop || l.shop === state.shop) && (!state.role || l.role === state.role); });
    var many = lines.some(function (l) { return l.shop !== lines[0].shop; });
    offer(f.product, lines.map(function (l) { return [String(all.lines.indexOf(l)), l.label + (many ? ", " + (data.shops[l.shop] || l.shop) : "")]; }));
    if (!f.panel.options.length) {
      offer(f.panel, [["", all.panels.length ? "an area of my own:" : "an area of"]].concat(all.panels.map(function (p, i) {
        return [String(i), (p[1] + (p[2] === "outer" ? "" : " (" + p[2] + ")") + " of a " + p[0]).replace(/_/g, " ")];
      })));
      if (f.second && all.second !== null) f.second.value = all.second;
    }
    form.oninput = function (event) {  // not on change: leaving a field would make the rows anew under a click
      var name = event.target.name;
      if (name === "area") f.panel.value = "";
      if (name === "level") form.dataset.level = event.target.value; else form.dataset.level = "";
      say(name === "level");
    };
    say();
    function say(chosenAlone) {
      var line = all.lines[Number(f.product.value || -1)], rest = form.querySelector("[data-rest]"), out = form.querySelector("output");
      var body = form.querySelector("[data-levels]"), parts = form.querySelector("[data-parts]"), to = units() === "us" ? factor("area_m2") : 1;
      var order = line ? ranked(line) : [];
      offer(f.gun, order.map(function (g) {
        var of = line.guns[g];
        return [g, g + ": " + (fits[of.fit] || "does not fit") + ", " + (of.te[0] === null ? "no figure of its own" : "lands " + phrase(of.te[0], "share", of.te[1], of.te[2]))];
      }));
      if (f.panel.value !== "") f.area.value = Number((all.panels[Number(f.panel.value)][3] / to).toPrecision(4));
      var area = f.panel.value !== "" ? all.panels[Number(f.panel.value)][3] : Number(f.area.value) * to;
      var gun = line && line.guns[f.gun.value], size = gun && area > 0 ? gun.sizes[data.area_borders.filter(function (b) { return area >= b; }).length] : null;
      rest.textContent = parts.textContent = ""; out.textContent = "\u2013";
      form.querySelector(".ways").hidden = !size || size.advised === null;
      if (!size || size.advised === null) return;
      var second = !f.second || f.second.value === "" ? null : Number(f.second.value), told = size.at[0] === null ? [] : all.levels.map(function (n, i) { return outcome(line, gun, size, area, i, all.levels, second); });
      var best = 0, known = told.length > 0 && told[0].short !== null;
      told.forEach(function (t, i) { if (t.short + t.left < told[best].short + told[best].left) best = i; });
      if (!known) best = all.levels.indexOf(Math.round(100 * size.enough));
      var chosen = form.dataset.level ? Number(form.dataset.level) : best, least = line.least || 0;
      var mix = Math.ceil(told[chosen] ? told[chosen].mix : Math.max(area * size.advised + gun.flush, least));
      if (!chosenAlone) body.textContent = "";
      if (!chosenAlone) told.forEach(function (t, i) {
        var tr = make("tr", null, body), label = make("label", null, make("th", null, tr)), radio = make("input", null, label);
        tr.firstChild.scope = "row";
        radio.type = "radio"; radio.name = "level"; radio.value = i; radio.checked = i === chosen;
        label.appendChild(document.createTextNode(" " + all.levels[i] + (i !== best ? "" : known ? ", cheapest" : ", advised")));
        [phrase(Math.ceil(t.mix), "volume_ml", null, null, true)].concat(f.second ? [money(t.short), money(t.left), money(t.short === null ? null : t.short + t.left)] : []).forEach(function (v) { make("td", v, tr).className = "num"; });
      });
      out.textContent = phrase(mix, "volume_ml");
      var said = ["On average such a job takes " + phrase(area * size.usual + gun.flush, "volume_ml") + " with the flush" +
        (gun.mid === null ? "" : "; for the middle of the sheet\u2019s window it would take " + phrase(area * gun.mid + gun.flush, "volume_ml")) + "."];
      if (least && mix === Math.ceil(least)) said.push("The sheet\u2019s least mix is " + phrase(least, "volume_ml") + ".");
      if (!size.n) said.push("No job of this size with this gun yet.");
      said.push("With this gun and product, of any area: " + plain(gun.n, 0) + (gun.n === 1 ? " job." : " jobs."));
      if (f.second && !known) said.push("What running short costs is not known: it takes prices and what an hour costs.");
      if (gun.fit === "misfit" || gun.fit === "not_allowed") said.push("This gun is no match: " + (gun.why || "the place\u2019s rule") + ".");
      make("p", said.join(" "), rest);
      if (order.length > 1) make("p", better(line, order), rest);
      if (!line.parts.length) return;
      var t = make("table", null, parts), row = make("tr", null, make("thead", null, t));
      make("caption", "What to pour, by the parts of the cups so far; the data sheet\u2019s ratio comes first", t);
      make("th", "component", row).scope = "col";
      var head = make("th", "pour", row); head.scope = "col"; head.className = "num";
      make("span", unitWord("volume_ml"), head).className = "unit";
      var rows = make("tbody", null, t);
      line.parts.forEach(function (p) { var tr = make("tr", null, rows), th = make("th", p[0], tr); th.scope = "row"; make("td", phrase(p[1] * mix, "volume_ml", null, null, true), tr).className = "num"; });
    }
    function money(v) { return v === null ? data.words.unknown : plain(v, 2); }
    function better(line, order) {  // how sure the first gun lands more than the next that fits as well
      var a = line.guns[order[0]], b = line.guns[order[1]], se = function (g) { return (g.te[2] - g.te[1]) / 2 / data.words.z95; };
      if (a.fit !== "fits") return "No gun is known to fit it; " + order[0] + " comes nearest.";
      if (b.fit !== "fits" || a.te[1] === null || b.te[1] === null) return order[0] + " fits" + (b.fit !== "fits" ? "; no other gun is known to fit." : "; what the others land is not known well enough to compare.");
      var z = (a.te[0] - b.te[0]) / Math.sqrt(se(a) * se(a) + se(b) * se(b)), word = data.words.steps.filter(function (s) { return z > s[0] || s[0] === 0; })[0][1];
      return "Of the guns that fit, " + order[0] + " lands most; that it lands more than " + order[1] + " is " + word + ".";
    }
  }

  // --- how many members of the chosen role and shop have a figure, and where it lies: as reports/pages/base.py counts ---
  function counts() {
    var cards = document.querySelector("article"), things = document.querySelectorAll("article:not([hidden]) [data-flag]").length;
    document.querySelectorAll("[data-things]").forEach(function (el) { if (cards) el.textContent = things ? plain(things, 0) : "none"; });
    Object.keys(figures).forEach(function (key) {
      var f = figures[key], role = state.role || f.spec.role, typical = {}, told = [], all = {}, named = {};
      if (f.kind !== "intervals") return;
      var kept = function (r) { return r.role === role && (!state.shop || r.shop === state.shop); };
      var under = function (r) { return (f.spec.held || []).indexOf(r.shop) >= 0; };  // where a rule speaks of 65 %
      data.transfer.role.filter(kept).forEach(function (r) { typical[r.shop] = r.v; });
      data.transfer[f.spec.by].filter(kept).forEach(function (r) { all[r.name] = 1; if (r.v !== null) { told.push(r); named[r.name] = 1; } });
      var count = function (test) { return told.filter(test).length; };
      var sure = function (r) { var t = typical[r.shop]; return t !== undefined && t !== null && r.lo !== null && !r.joined; };
      var say = {
        all: Object.keys(all).length, told: Object.keys(named).length, records: told.reduce(function (sum, r) { return sum + r.n; }, 0),
        held: count(under),
        above: count(function (r) { return under(r) && r.lo !== null && r.lo > data.line; }),
        below: count(function (r) { return under(r) && r.hi !== null && r.hi < data.line; }),
        better: count(function (r) { return sure(r) && r.lo > typical[r.shop]; }),
        less: count(function (r) { return sure(r) && r.hi < typical[r.shop]; })
      };
      say.open = say.held - say.above - say.below;
      document.querySelectorAll("[data-held]").forEach(function (el) { el.hidden = !say.held; });
      document.querySelectorAll("[data-count]").forEach(function (el) {
        var n = say[el.dataset.count];
        el.textContent = el.dataset.zero && n === 0 ? el.dataset.zero : plain(n, 0);
      });
    });
  }

  // --- figures: each function redraws what its Python twin (reports/figures) drew for all data ---
  var draw = {
    runs: function (plot) {
      var s = sums("ledger", "")[""], at = see(), poured = s["poured." + at], parts = shares(s), left = 0;
      var xs = [], ys = [];
      data.parts.forEach(function (p, i) {
        var width = 100 * parts[p[0]], low = s[p[0] + "." + at + ".low"], high = s[p[0] + "." + at + ".high"];
        var label = phrase(width / 100, "per100"), ends = null;
        if (low !== undefined && poured > 0 && width > 0) {
          low = 100 * low / poured; high = 100 * high / poured;
          label = phrase(width / 100, "per100", low / 100, high / 100);
          ends = [left + low, left + high];
        }
        [2 * i, 2 * i + 1].forEach(function (t) { plot.data[t].x = [left + width / 2]; plot.data[t].width = [width]; });
        if (ends) {
          var y = p[2] + 0.1;
          xs.push(ends[0], ends[0], null, ends[0], ends[1], null, ends[1], ends[1], null);
          ys.push(y - 0.07, y + 0.07, null, y, y, null, y - 0.07, y + 0.07, null);
        }
        var note = plot.layout.annotations[i], outline = plot.layout.shapes[i];
        outline.x0 = left; outline.x1 = left + width; outline.visible = width > 0;
        note.x = left; note.visible = width > 0; note.text = "<b>" + p[1] + "</b> " + label;
        left += width;
      });
      plot.data[2 * data.parts.length].x = xs;
      plot.data[2 * data.parts.length].y = ys;
    },
    intervals: function (plot, spec, el, note) {
      var role = state.role || spec.role, list = [];
      var of = function (by) {
        return data.transfer[by].filter(function (r) { return r.role === role && (!state.shop || r.shop === state.shop); });
      };
      var typical = of("role"), members = of(spec.by), seen = {}, many = members.length > spec.most && !state.shop;
      if (many) members = [];
      typical.concat(members).forEach(function (r) { seen[r.shop] = 1; });
      Object.keys(seen).sort().forEach(function (shop) {
        typical.forEach(function (r) {
          if (r.shop === shop) list.push(Object.assign({}, r, { typical: true, name: (data.shops[shop] || shop) + " as a whole" }));
        });
        members.forEach(function (r) { if (r.shop === shop) list.push(Object.assign({}, r, { typical: false })); });
      });
      var traces = [0, 1, 2, 3, 4].map(function () { return { x: [], y: [] }; });
      var pct = function (v) { return Math.round(100000 * v) / 1000; };
      list.forEach(function (r, at) {
        var y = at + 0.5;
        if (r.v === null) return;
        if (r.lo !== null && r.hi !== null) {
          traces[0].x.push(pct(r.lo), pct(r.hi), null); traces[0].y.push(y, y, null);
          traces[1].x.push(pct(r.lo), pct(r.hi)); traces[1].y.push(y, y);
        }
        var t = traces[r.typical ? 4 : r.joined ? 3 : 2];
        t.x.push(pct(r.v)); t.y.push(y);
      });
      traces.forEach(function (t, i) { plot.data[i].x = t.x; plot.data[i].y = t.y; });
      // Wide: words left of the band. Narrow, printed, or where words are long: words above it, rows taller.
      var small = !printing && el.clientWidth < 520, longest = 0;
      var label = function (r) {
        var words = standing(r), name = "<b>" + escapeText(r.name) + "</b>";
        var first = r.joined && !r.typical ? name + " together with " + escapeText(r.joined) + ":" : name;
        var fits = !small || (first + words).length < 50;
        return first + (!fits ? "<br>" : first === name ? "  " : " ") + words;
      };
      list.forEach(function (r) { longest = Math.max(longest, label(r).replace(/<[^>]*>/g, "").length); });
      var text = Math.min(640, Math.max(240, 8.4 * longest + 12));
      var narrow = printing || el.clientWidth < 980 || 8.4 * longest + 12 > 0.55 * el.clientWidth;
      var fit = Math.max(28, Math.min(34, Math.floor(505 / Math.max(1, list.length))));  // a sheet holds some twenty rows
      var row = printing ? fit : small ? 62 : narrow ? 54 : 34, base = printing ? 0.64 : narrow ? 0.56 : 0.5;
      plot.layout.margin.l = text;
      if (printing) { plot.data[0].line.width = 9; plot.data[1].marker.size = 6; }
      if (narrow) {
        plot.layout.margin.l = 12;  // the mark at 0 has its label
        plot.data.forEach(function (t) { t.y = t.y.map(function (y) { return y === null ? y : y + base - 0.5; }); });
      }
      plot.layout.annotations = list.map(function (r, at) {
        return {
          x: 0, xref: "paper", xshift: narrow ? 0 : -text, y: printing ? at + 0.42 : narrow ? at + 0.3 : at + 0.5, showarrow: false, xanchor: "left",
          yanchor: narrow ? "bottom" : "middle", align: "left",
          text: label(r),
          font: { size: printing ? 12 : narrow ? 14 : 15, color: r.v === null || r.typical ? data.colours.muted : data.colours.ink }
        };
      });
      var line = [], held = spec.held || [];  // the line at 65 %, beside the guns of shops where a rule speaks of it
      list.forEach(function (r, at) {
        var last = line[line.length - 1];
        if (held.indexOf(r.shop) < 0) return;
        if (!narrow && last && last.y1 === at) last.y1 = at + 1;
        else line.push({  // where words stand above the bands it is a stroke on each band, so that it crosses no word
          type: "line", x0: 100 * data.line, x1: 100 * data.line, y0: narrow ? at + base - 0.2 : at, y1: narrow ? at + base + 0.2 : at + 1,
          line: { color: data.colours.limit, width: 1.5, dash: narrow ? "solid" : "dash" }
        });
      });
      plot.layout.xaxis.tickvals = [0, 25, 50, 75, 100].concat(line.length ? [100 * data.line] : []).sort(function (a, b) { return a - b; });
      plot.layout.xaxis.ticktext = plot.layout.xaxis.tickvals.map(function (v) { return v === 100 ? "100 % landed" : String(v); });
      plot.layout.shapes = line.concat(list.map(function (r, at) {
        return {
          type: "line", x0: 0, x1: 100, y0: at + base, y1: at + base, layer: "below",
          line: { color: data.colours.line, width: 1 }
        };
      }));
      plot.layout.height = 44 + row * Math.max(1, list.length) + 8;
      plot.layout.yaxis.range = [Math.max(1, list.length), narrow ? -0.25 : 0];
      note.textContent = list.length ? "Shown: " + role.replace(/_/g, " ") + (many ? "; choose a shop to see more than its own figure." : ".") : "No figure for this choice; choose another role or shop.";
    },
    emissions: function (plot, spec, el) {
      var c = data.amounts.emissions, keep = memory.emissions || (memory.emissions = keeps("emissions"));
      var kept = periods("emissions"), at = {}, values = {}, lacking = kept.map(function () { return false; });
      kept.forEach(function (m, i) { at[m] = i; });
      data.sources.forEach(function (s) { values[s] = kept.map(function () { return 0; }); });
      for (var i = 0; i < keep.length; i++) {
        var month = c.members.month[c.at.month[i]];
        if (!keep[i] || !(month in at)) continue;
        var category = c.members.category[c.at.category[i]];
        values[category in values ? category : "coating"][at[month]] += c.m.voc[i];
        if (c.m.incomplete[i] > 0) lacking[at[month]] = true;
      }
      var x = kept.map(function (m) { return m + "-15"; });
      data.sources.forEach(function (s, t) {
        plot.data[t].x = x;
        plot.data[t].y = values[s].map(function (v) { return Math.round(v * 1e4) / 1e4 || null; });
        plot.data[t].visible = plot.data[t].y.some(Boolean);
      });
      var marks = plot.data[data.sources.length];
      var missing = x.map(function (_, i) { return i; }).filter(function (i) { return lacking[i]; });
      marks.x = missing.map(function (i) { return x[i]; });
      marks.y = missing.map(function (i) {
        return data.sources.reduce(function (sum, s) { return sum + Math.max(0, values[s][i]); }, 0);
      });
      var every = Math.max(1, Math.ceil(x.length / (el.clientWidth < 520 ? 6 : 16)));
      plot.layout.xaxis.tickvals = x.filter(function (_, i) { return i % every === 0; });
      marks.text = missing.map(function () { return ""; });
    }
  };
  function escapeText(text) { return text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;"); }

  function rescale(plot, unitsOfAxes) {  // arrays of an axis with a unit, from metric to the reader's
    Object.keys(unitsOfAxes).forEach(function (axis) {
      var u = unitsOfAxes[axis], by = units() === "us" ? factor(u.kind) : 1;
      plot.data.forEach(function (t) { t[axis] = t[axis].map(function (v) { return v === null ? v : v / by; }); });
      plot.layout.annotations[0].text = u.title.replace("{unit}", unitWord(u.kind));
    });
  }
  function toDark(value) {
    if (typeof value === "string") return data.dark[value] || value;
    if (Array.isArray(value)) return value.map(toDark);
    if (value && typeof value === "object") {
      var out = {};
      Object.keys(value).forEach(function (k) { out[k] = toDark(value[k]); });
      return out;
    }
    return value;
  }
  function redraw() {
    if (!window.Plotly) return;
    Object.keys(figures).forEach(function (key) {
      var f = figures[key], plot = JSON.parse(f.text).plot;
      plot.layout.template = JSON.parse(JSON.stringify(data.template));
      draw[f.kind](plot, f.spec, f.el, document.querySelector('[data-note="' + key + '"]'));
      rescale(plot, f.units);
      if (isDark()) plot = toDark(plot);
      if (printing) {
        plot.layout.width = 680;
        if (f.kind !== "intervals") plot.layout.height = 440;
      }
      else plot.layout.autosize = true;
      if (f.el.clientWidth < 520) {
        (plot.layout.annotations || []).forEach(function (a) { if (a.font && a.font.size > 12) a.font.size = a.font.size > 15 ? 13 : 12; });
        if (plot.layout.margin.r > 100) plot.layout.margin.r = 100;
        var axis = plot.layout.xaxis, wide = axis && axis.ticktext ? axis.tickvals : [];
        var kept = function (_, i) { return wide[i] % 50 === 0; };  // a label each half: more would be set aslant
        if (wide.length) { axis.ticktext = axis.ticktext.filter(kept); axis.tickvals = wide.filter(kept); axis.tickangle = 0; }
      }
      f.drawn = plot;
      window.Plotly.react(f.el, plot.data, plot.layout, { displayModeBar: false, responsive: true, scrollZoom: false });
    });
  }

  function apply(step) {
    memory = {};
    ground();
    write(step);
    numbers();
    strips();
    rows();
    whatIf();
    compared();
    todo();
    reckon();
    counts();
    redraw();
    document.querySelectorAll("table").forEach(function (t) { if (t.tamed) clip(t); });
    document.querySelectorAll("details[data-rows][open]").forEach(function (box) { if (box.seen) box.seen.page = 0; browse(box); });
    cup();
    groups();
    var status = document.querySelector("[data-status]");
    if (status) status.textContent = "Now shown: " + (state.shop ? data.shops[state.shop] || state.shop : "all shops") + ", " + when() + ".";
  }

  function start() {
    data = window.FILMLEDGER;
    data.rows = function (kind, shop, made) {
      store[kind + "|" + shop] = made;
      (waiting[kind + "|" + shop] || []).splice(0).forEach(function (then) { then(); });
    };
    choose();
    behind();
    tame();
    fold();
    document.querySelectorAll("details[data-rows]").forEach(function (box) {
      box.addEventListener("toggle", function () { if (box.open) browse(box); });
    });
    document.querySelectorAll("select[name]").forEach(function (el) {
      el.addEventListener("change", function () {
        state[el.name] = el.value;
        if (el.name === "from" && state.to && state.from > state.to) set("to", state.from);
        if (el.name === "to" && state.from && state.to && state.to < state.from) set("from", state.to);
        apply(true);
      });
    });
    document.querySelectorAll("form.filters").forEach(function (form) {
      form.addEventListener("reset", function (event) {
        event.preventDefault();
        form.querySelectorAll("select").forEach(function (el) {
          if (el.name === "see") { el.value = root.dataset.see; state.see = ""; } else set(el.name, "");
        });
        apply(true);
      });
      form.addEventListener("submit", function (event) { event.preventDefault(); });
    });
    document.querySelectorAll("form.whatif").forEach(function (form) {
      form.addEventListener("input", function (event) {
        if (event.target.name === "jobs") event.target.dataset.own = "1";
        whatIf();
      });
      form.addEventListener("reset", function () {
        delete form.elements.jobs.dataset.own;
        setTimeout(whatIf, 0);
      });
    });
    document.querySelectorAll("a[data-jump]").forEach(function (a) {  // the address keeps the filters, so the jump is made here
      a.addEventListener("click", function (event) {
        event.preventDefault();
        state.at = a.getAttribute("href").slice(1);
        write(true);
        jump(document.getElementById(state.at));
      });
    });
    document.querySelectorAll("button[data-print]").forEach(function (b) {
      b.addEventListener("click", function () {
        var one = document.getElementById(b.dataset.print);
        one.classList.add("alone");
        cards(true, one);
        root.classList.add("one");
        window.print();
        root.classList.remove("one");
        one.classList.remove("alone");
        cards(false, one);
      });
    });
    document.querySelectorAll("form.whatif, form.reckoner").forEach(function (form) {
      form.addEventListener("submit", function (event) { event.preventDefault(); });
    });
    document.querySelectorAll("[data-figure]").forEach(function (el) {
      var key = el.dataset.figure, text = document.getElementById("json-" + key).textContent, made = JSON.parse(text);
      figures[key] = {
        text: text, kind: made.kind, spec: made.spec, units: made.units, el: document.getElementById("plot-" + key)
      };
    });
    document.querySelectorAll("button[data-save]").forEach(function (b) {
      b.addEventListener("click", function () {
        var f = figures[b.dataset.ofFigure];
        window.Plotly.downloadImage(f.el, {
          format: b.dataset.save, filename: "filmledger-" + b.dataset.ofFigure, width: f.el.clientWidth,
          height: f.el.clientHeight, scale: b.dataset.save === "png" ? 2 : 1
        });
      });
    });
    var skip = document.querySelector(".skip");
    skip.addEventListener("click", function (event) {  // the address keeps the filters, so the jump is made here
      event.preventDefault();
      document.getElementById("main").focus();
    });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
    window.addEventListener("beforeprint", function () { printing = true; cards(true, document); redraw(); });
    window.addEventListener("afterprint", function () { printing = false; cards(false, document); redraw(); });
    window.addEventListener("hashchange", function () { state = read(); choose(); apply(); });
    if (!location.hash || location.hash.indexOf("=") > 0 || !document.getElementById(location.hash.slice(1))) apply();
    else { state.at = location.hash.slice(1); apply(); }
    if (state.at && document.getElementById(state.at)) jump(document.getElementById(state.at));
    window.filmledgerPage = { figures: figures, sums: function (which, dim) { return sums(which, dim || ""); } };
    root.dataset.awake = "";  // words, numbers, strips and choices work; figures follow
    if (!root.dataset.plotly) { root.dataset.ready = ""; return; }
    requestAnimationFrame(function () {
      var script = document.createElement("script");
      script.src = root.dataset.plotly;
      script.onload = function () { redraw(); listen(); root.dataset.ready = ""; };
      document.head.appendChild(script);
    });
  }
  function cards(open, within) {  // printed with all they hold
    within.querySelectorAll("details[data-card]").forEach(function (d) {
      if (open) { d.dataset.was = d.open ? "1" : d.dataset.was || ""; d.open = true; }
      else { d.open = d.dataset.was === "1"; }
    });
  }
  function listen() {  // a month's column chooses that month alone, again all of them
    var f = figures.emissions;
    if (!f || !document.querySelector("select[name=from]")) return;
    f.el.on("plotly_click", function (event) {
      var month = String(event.points[0].x).slice(0, 7), alone = state.from === month && state.to === month;
      set("from", alone ? "" : month);
      set("to", alone ? "" : month);
      apply(true);
    });
  }
  function choose() {  // the choices of the address into the selects; what is not on offer is dropped
    var fallback = { see: root.dataset.see, units: root.dataset.units };
    document.querySelectorAll("select[name]").forEach(function (el) {
      var given = state[el.name];
      var known = Array.prototype.some.call(el.options, function (o) { return o.value === given; });
      if (given && !known) state[el.name] = given = "";
      el.value = given || fallback[el.name] || "";
    });
  }
  function set(name, value) {
    state[name] = value;
    document.querySelectorAll('select[name="' + name + '"]').forEach(function (el) { el.value = value; });
  }
  document.addEventListener("DOMContentLoaded", start);
})();
