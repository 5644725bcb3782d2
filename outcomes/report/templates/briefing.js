(() => {
  const at = (id) => document.getElementById(id);
  // What a sheet shows is opened for the printer, and closed again behind it.
  const opened = [];
  addEventListener("beforeprint", () => {
    for (const part of document.querySelectorAll("details.on-paper:not([open])")) {
      part.open = true;
      opened.push(part);
    }
  });
  addEventListener("afterprint", () => {
    while (opened.length) opened.pop().open = false;
  });
  if (!at("floor-data")) return;
  const data = JSON.parse(at("floor-data").textContent);
  const slider = at("floor"), back = at("floor-back"), layer = at("floor-layer");
  const narrow = at("narrow-layer");
  const places = [...document.querySelectorAll("[data-floor]")];
  const rows = [...document.querySelectorAll(".source")];
  const either = at("either-table");
  const fill = (table, all) => {
    table.tBodies[0].replaceChildren(...all.map((texts) => {
      const row = document.createElement("tr");
      for (const text of texts) {
        const cell = document.createElement(row.cells.length ? "td" : "th");
        if (row.cells.length) cell.className = "n whole"; else cell.scope = "row";
        cell.textContent = text;
        row.append(cell);
      }
      return row;
    }));
  };
  const show = (k) => {
    at("floor-said").textContent = data.said[k];
    slider.setAttribute("aria-valuetext", data.said[k]);
    back.disabled = k === data.own;
    for (const place of places) {
      const text = data[place.dataset.floor][k];
      place.textContent = text;
      place.hidden = !text;
    }
    if (layer) {
      layer.innerHTML = data.layer[k];
      if (narrow) narrow.innerHTML = data.narrow[k];
      at("figure").setAttribute("aria-label", data.alt + data.retire[k]);
    }
    if (either) {
      either.caption.textContent = data.either_caption[k];
      fill(either, data.either_rows[k]);
      either.closest(".scroll").hidden = !data.either_rows[k].length;
    }
    for (const line of document.querySelectorAll(".floor-line")) {
      line.setAttribute("x1", data.place[k]);
      line.setAttribute("x2", data.place[k]);
    }
    for (const [number, advice, why, printed, expected, next] of data.rows[k]) {
      const row = rows[number], word = data.advice[advice], left = row.querySelector(".left");
      const said = row.querySelector(".advice");
      said.textContent = word;
      said.className = "advice advice-" + word;
      for (const mark of row.querySelectorAll(".mark")) mark.setAttribute("href", "#mark-" + word);
      row.querySelector(".reason").textContent = data.why[why];
      row.querySelector(".expected").textContent = data.expected[expected];
      row.querySelector(".next").textContent = data.next[next];
      if (left) left.hidden = k !== data.own;
      row.classList.toggle("screen", !printed);
      row.parentNode.append(row);
    }
  };
  slider.addEventListener("input", () => show(Number(slider.value)));
  back.addEventListener("click", () => {
    slider.value = data.own;
    show(data.own);
    slider.focus();
  });
  at("floor-control").hidden = false;
})();
