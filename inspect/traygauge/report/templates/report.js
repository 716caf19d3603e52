"use strict";
// What the page can do beyond being read: show a piece's figures, find it, filter by finding, list all pieces.
const data = JSON.parse(document.getElementById("data").textContent);
const at = Object.fromEntries(data.columns.map((c, k) => [c[0], k]));
const casing = getComputedStyle(document.documentElement).getPropertyValue("--casing");
const make = (tag, text, kind) => {
  const e = document.createElement(tag);
  if (text !== undefined) e.textContent = text;
  if (kind) e.className = kind;
  return e;
};

class Part {
  constructor(section) {
    this.pic = section.querySelector(".pic");
    this.image = section.querySelector("img");
    this.over = section.querySelector(".over");
    this.said = section.querySelector("[aria-live]");
    this.canvas = section.querySelector("canvas");
    this.pieces = [...section.querySelectorAll(".over .pc")];
    this.pieces.forEach((g, k) => g.setAttribute("tabindex", k ? "-1" : "0"));
    this.places = this.pieces.map((g) => [Number(g.dataset.x), Number(g.dataset.y)]);
    this.perMm = Number(section.dataset.pxPerMm);
    this.current = -1;
    this.held = false;
    this.over.addEventListener("pointermove", (e) => { if (!this.held && e.pointerType === "mouse") this.show(this.near(e)); });
    this.over.addEventListener("click", (e) => { const k = this.near(e); this.held = k >= 0; this.show(k); });
    this.over.addEventListener("focusin", (e) => { const k = this.pieces.indexOf(e.target); if (k >= 0) this.show(k); });
    this.over.addEventListener("keydown", (e) => this.key(e));
    for (const b of section.querySelectorAll(".chip")) b.addEventListener("click", () => this.filter(section, b));
    const large = section.querySelector("[data-tool=large]");
    if (large) large.addEventListener("click", () => this.enlarge(large));
    const first = this.pieces.findIndex((g) => g.id === section.dataset.first);
    const wide = matchMedia("(min-width: 60.01rem)");
    if (first >= 0 && wide.matches) this.image.decode().then(() => { if (this.current < 0) this.show(first); }, () => {});
    const find = section.querySelector(".find input");
    if (find) find.addEventListener("input", () => this.go(this.pieces.findIndex((g) => g.dataset.n === find.value), false));
  }

  // The piece under the pointer, else the nearest within a finger's width.
  near(event) {
    const own = event.target.closest && event.target.closest(".pc");
    if (own) return this.pieces.indexOf(own);
    const box = this.over.getBoundingClientRect(), view = this.over.viewBox.baseVal, scale = view.width / box.width;
    const x = (event.clientX - box.left) * scale, y = (event.clientY - box.top) * scale;
    let best = -1, reach = (event.pointerType === "mouse" ? 14 : 26) * scale;
    this.places.forEach(([a, b], k) => { const d = Math.hypot(a - x, b - y); if (d < reach) { reach = d; best = k; } });
    return best;
  }

  show(k) {
    if (k === this.current || k < 0) return;
    if (this.current >= 0) this.pieces[this.current].classList.remove("on");
    this.current = k;
    const g = this.pieces[k];
    g.classList.add("on");
    const row = data.rows[Number(g.dataset.i)];
    const head = make("h3", "Piece " + row[at.piece]);
    const words = [row[at.findings].replaceAll(";", ", "), row[at.form], row[at.state]].filter(Boolean).join(" · ");
    const list = make("dl", undefined, "facts");
    data.columns.forEach(([name, label, unit], c) => {
      if (c < 5 || !row[c]) return;
      const pair = make("div");
      pair.append(make("dt", label), make("dd", row[c] + (unit === "°" ? unit : unit ? " " + unit : ""), "n"));
      list.append(pair);
    });
    this.said.replaceChildren(head, make("p", words), list);
    this.loupe(k);
  }

  // The piece enlarged from the picture itself, with what was measured as its length and a bar of 1 mm.
  loupe(k) {
    const { width, height } = this.canvas, pen = this.canvas.getContext("2d"), g = this.pieces[k];
    const box = g.querySelector(".hit").getBBox();
    const high = Math.max(box.height * 1.7, box.width * 1.7 * height / width, 4 * this.perMm), zoom = height / high;
    const left = box.x + box.width / 2 - width / zoom / 2, top = box.y + box.height / 2 - high / 2;
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.fillStyle = "#808080";
    pen.fillRect(0, 0, width, height);
    pen.drawImage(this.image, left, top, width / zoom, high, 0, 0, width, height);
    const line = (path, colour, wide) => { pen.strokeStyle = colour; pen.lineWidth = wide / zoom; pen.stroke(path); };
    pen.setTransform(zoom, 0, 0, zoom, -left * zoom, -top * zoom);
    const mid = g.querySelector(".mid");
    if (mid) for (const [colour, wide] of [[casing, 7], ["#fff", 3]]) line(new Path2D(mid.getAttribute("d")), colour, wide);
    const bar = new Path2D(`M${left + 20 / zoom} ${top + (height - 22) / zoom}h${this.perMm}`);
    line(bar, casing, 12);
    line(bar, "#fff", 6);
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.font = "600 24px system-ui, sans-serif";
    pen.lineWidth = 6;
    pen.lineJoin = "round";
    pen.strokeStyle = casing;
    pen.fillStyle = "#fff";
    pen.strokeText("1 mm", 32 + this.perMm * zoom, height - 14);
    pen.fillText("1 mm", 32 + this.perMm * zoom, height - 14);
    this.canvas.hidden = false;
  }

  go(k, focus = true) {
    if (k < 0) return;
    this.pieces.forEach((g) => g.setAttribute("tabindex", "-1"));
    this.pieces[k].setAttribute("tabindex", "0");
    if (focus) this.pieces[k].focus();
    this.show(k);
    this.held = true;
    if (this.pic.classList.contains("large")) this.centre(k);
  }

  centre(k) {
    const scale = this.over.getBoundingClientRect().width / this.over.viewBox.baseVal.width;
    this.pic.scrollTo(this.places[k][0] * scale - this.pic.clientWidth / 2, this.places[k][1] * scale - this.pic.clientHeight / 2);
  }

  // Left and right follow the numbers, up and down the nearest piece that way.
  key(event) {
    const k = this.current, last = this.pieces.length - 1;
    const jump = { ArrowRight: k + 1, ArrowLeft: k - 1, Home: 0, End: last }[event.key];
    if (event.key === "Escape") this.held = false;
    else if (jump !== undefined) this.go(Math.min(Math.max(jump, 0), last));
    else if (event.key === "ArrowDown") this.go(this.beyond(k, 1));
    else if (event.key === "ArrowUp") this.go(this.beyond(k, -1));
    else return;
    event.preventDefault();
  }

  beyond(k, way) {
    const [x, y] = this.places[Math.max(k, 0)];
    let best = -1, least = Infinity;
    this.places.forEach(([a, b], j) => {
      const ahead = (b - y) * way, cost = ahead + 2 * Math.abs(a - x);
      if (j !== k && ahead > Math.abs(a - x) * 0.5 && cost < least) { least = cost; best = j; }
    });
    return best;
  }

  filter(section, button) {
    const pressed = button.getAttribute("aria-pressed") !== "true";
    for (const b of section.querySelectorAll(".chip")) b.setAttribute("aria-pressed", String(b === button && pressed));
    this.over.classList.toggle("only", pressed);
    const look = button.dataset.look;
    for (const e of this.over.querySelectorAll(".pc")) e.classList.toggle("kept", this.carries(e, look));
    for (const e of this.over.querySelectorAll(".label")) e.classList.toggle("kept", e.classList.contains("l-" + look));
  }

  carries(g, look) {
    const row = data.rows[Number(g.dataset.i)];
    if (look === "nothing-to-note") return g.classList.contains("plain");
    return [...row[at.findings].split(";"), row[at.state]].some((w) => w.replaceAll(" ", "-") === look);
  }

  enlarge(button) {
    const large = this.pic.classList.toggle("large");
    button.setAttribute("aria-pressed", String(large));
    button.textContent = large ? "Fit" : "Enlarge";
    if (large) this.centre(Math.max(this.current, 0));
  }
}

const parts = [...document.querySelectorAll(".photo-part")].map((s) => new Part(s));

function follow() {
  for (const part of parts) {
    const k = part.pieces.findIndex((g) => "#" + g.id === location.hash);
    if (k >= 0) part.go(k);
  }
}
addEventListener("hashchange", follow);
follow();

// The table of all pieces is made when it is opened; a click on a heading sorts, on a row goes to the piece.
const table = document.getElementById("all");
table.closest("details").addEventListener("toggle", () => {
  const body = table.tBodies[0];
  if (body.rows.length) return;
  const line = (row, i) => {
    const tr = make("tr");
    row.forEach((text, c) => tr.append(make("td", text, data.columns[c][3] ? "n" : "")));
    tr.addEventListener("click", () => {
      const g = document.querySelector(`.over .pc[data-i="${i}"]`);
      if (g) { g.scrollIntoView({ block: "center" }); location.hash = g.id; }
    });
    return tr;
  };
  const lines = data.rows.map(line);
  body.append(...lines);
  [...table.tHead.rows[0].cells].forEach((cell, c) => {
    const button = make("button", cell.textContent);
    button.type = "button";
    cell.replaceChildren(button);
    button.addEventListener("click", () => {
      const up = cell.getAttribute("aria-sort") !== "ascending";
      for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
      cell.setAttribute("aria-sort", up ? "ascending" : "descending");
      const number = data.columns[c][3];
      const value = (k) => (number ? (data.rows[k][c] === "" ? NaN : parseFloat(data.rows[k][c].replaceAll("\u00a0", ""))) : data.rows[k][c]);
      const order = data.rows.map((_, k) => k).sort((a, b) => {
        const x = value(a), y = value(b);
        if (number && (isNaN(x) || isNaN(y))) return isNaN(x) - isNaN(y);
        return (x < y ? -1 : x > y ? 1 : 0) * (up ? 1 : -1);
      });
      body.append(...order.map((k) => lines[k]));
    });
  });
});

// On paper everything that was folded is read, but for the table of all pieces.
addEventListener("beforeprint", () => {
  for (const d of document.querySelectorAll("details:not(.all-fold)")) d.open = true;
});
