// What runs in the browser: sliders tell Python where they stand, and what it answers is shown. Nothing is reckoned here.

const made = (parent, tag, text = "", attributes = {}) => {
  const node = document.createElement(tag);
  node.textContent = text;
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  parent.append(node);
  return node;
};

const dated = (rows) => rows.map((row) => ({ ...row, monday: Date.parse(row.monday) }));

// Keys belong to what has the focus here, not to the shortcuts of the notebook.
const OWN_KEYS = { "data-lm-suppress-shortcuts": "true" };

const sliders = (parent, model) => {
  const same = (one, other) => one.length === other.length && one.every((to, i) => to === other[i]);
  const base = model.get("base");
  const box = made(parent, "div", "", { class: "forecast-live-sliders", role: "group", "aria-label": "What can be moved" });
  const inputs = model.get("sliders").map(({ label, texts }, i) => {
    const id = `forecast-live-${crypto.randomUUID()}`;
    const cell = made(box, "div");
    made(cell, "label", label, { for: id });
    const input = made(cell, "input", "", { type: "range", id, min: 0, max: texts.length - 1, step: 1, ...OWN_KEYS });
    const said = made(cell, "output", "", { for: id, "aria-live": "off" });
    made(cell, "small", `base plan: ${texts[base[i]]}`);
    const stand = (to) => {
      input.value = to;
      input.setAttribute("aria-valuetext", texts[to]);
      said.textContent = texts[to];
    };
    input.addEventListener("input", () => {
      const at = [...model.get("at")];
      at[i] = Number(input.value);
      model.set("at", at);
      model.save_changes();
    });
    return stand;
  });
  const stand = () => model.get("at").forEach((to, i) => inputs[i](to));
  stand();
  model.on("change:at", stand);

  const buttons = made(parent, "div", "", { class: "forecast-live-buttons" });
  made(buttons, "button", "Back to the base plan", { type: "button", ...OWN_KEYS }).addEventListener("click", () => {
    model.set("at", [...base]);
    model.save_changes();
  });
  made(buttons, "button", "Keep this as scenario", { type: "button", ...OWN_KEYS }).addEventListener("click", () => {
    const [at, kept] = [model.get("at"), model.get("kept")];
    if (kept.some((one) => same(one, at))) return;
    model.set("kept", [...kept, [...at]]);
    model.save_changes();
  });
  return () => model.off("change:at", stand);
};

const tabled = (table, { columns, rows }) => {
  table.replaceChildren();
  made(table, "caption", "Side by side");
  const head = made(made(table, "thead"), "tr");
  made(head, "td");
  for (const name of columns) made(head, "th", name, { scope: "col" });
  const body = made(table, "tbody");
  for (const [name, ...cells] of rows) {
    const row = made(body, "tr");
    made(row, "th", name, { scope: "row" });
    for (const cell of cells) made(row, "td", cell);
  }
};

export default {
  async render({ model, el }) {
    const root = made(el, "section", "", { class: "forecast-live", "aria-label": "What if?" });
    const quiet = sliders(root, model);
    const words = made(root, "div", "", { "aria-live": "polite" });
    const sentence = made(words, "p", "", { class: "forecast-live-sentence" });
    const difference = made(words, "p", "", { class: "forecast-live-difference" });
    const chart = made(root, "div", "", { class: "forecast-live-chart" });
    const table = made(made(root, "div", "", { class: "forecast-live-table" }), "table");

    const write = () => {
      const shown = model.get("shown");
      sentence.textContent = shown.sentence;
      difference.textContent = `Against the base plan: ${shown.difference}`;
      chart.setAttribute("aria-label", shown.described);
      tabled(table, shown);
    };
    write();
    const spec = { ...model.get("spec"), datasets: {}, description: model.get("shown").described };
    for (const [name, rows] of Object.entries(model.get("shown").data)) spec.datasets[name] = dated(rows);
    const drawn = await vegaEmbed(chart, spec, { renderer: "svg", actions: false });

    const draw = async () => {
      write();
      for (const [name, rows] of Object.entries(model.get("shown").data)) drawn.view.data(name, dated(rows));
      await drawn.view.runAsync();
    };
    model.on("change:shown", draw);
    return () => {
      quiet();
      model.off("change:shown", draw);
      drawn.finalize();
    };
  },
};
