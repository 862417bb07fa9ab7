// Frame times over time: choose scene and runs, zoom by dragging, by buttons or by keys, read values under the pointer.
(function () {
  "use strict";

  const DASHES = [[], [7, 4], [2, 3], [10, 3, 2, 3], [4, 2], [1, 2]];
  const USUAL = 0.99;
  const MOST_TIMES_USUAL = 2.5;
  const CUT_TIMES_USUAL = 2.0;
  const NEAR_ZERO = 0.25;

  async function unpack(packed) {
    const bytes = Uint8Array.from(atob(packed), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const planes = new Uint8Array(await new Response(stream).arrayBuffer());
    const count = planes.length / 4;
    const values = new Array(count);
    for (let i = 0; i < count; i += 1) {
      // Whole microseconds, lowest byte first, each byte in its own plane.
      const us = planes[i] + planes[count + i] * 256 + planes[2 * count + i] * 65536 + planes[3 * count + i] * 16777216;
      values[i] = us === 0 ? null : us / 1000;
    }
    return { low: values.slice(0, count / 2), high: values.slice(count / 2) };
  }

  function element(name, properties, ...children) {
    const made = Object.assign(document.createElement(name), properties);
    made.append(...children);
    return made;
  }

  function token(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }

  function swatch(color, dash) {
    const space = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(space, "svg");
    svg.setAttribute("viewBox", "0 0 26 12");
    svg.setAttribute("aria-hidden", "true");
    const path = document.createElementNS(space, "path");
    path.setAttribute("d", "M1 6H25");
    path.setAttribute("stroke", color);
    path.setAttribute("stroke-width", "3");
    path.setAttribute("stroke-dasharray", dash.join(" "));
    svg.append(path);
    return svg;
  }

  function inMs(value) {
    return value >= 100 ? value.toFixed(0) : value >= 10 ? value.toFixed(1) : value.toFixed(2);
  }

  function start(box) {
    const view = box.querySelector(".trace-view");
    const message = box.querySelector(".trace-message");
    if (typeof DecompressionStream === "undefined") {
      message.textContent =
        "This browser cannot unpack the frame times (it lacks DecompressionStream; browsers of 2023 and later have it)." +
        " Everything else on this page works.";
      return;
    }
    const sets = JSON.parse(box.querySelector(".trace-data").textContent).sets;
    if (!sets.length) return;
    message.hidden = true;

    const choice = element("select", {});
    sets.forEach((set, index) => choice.append(new Option(set.label, String(index))));
    const where = element("p", { className: "trace-where" });
    where.setAttribute("aria-live", "polite");
    const runs = element("fieldset", { className: "trace-runs" });
    const chart = element("div", { className: "trace-chart", tabIndex: 0 });
    chart.setAttribute("role", "application");
    chart.setAttribute(
      "aria-label",
      "Frame times over time. Plus and minus zoom, arrows move, shift with arrows reads values, 0 shows the whole run."
    );

    let plot = null;
    let drawn = 0;
    let visible = new Map();
    let current = [];

    const span = () => [plot.scales.x.min, plot.scales.x.max];
    const whole = () => [0, Math.max(...current.map((trace) => trace.duration_s))];

    function zoomTo(min, max) {
      const [first, last] = whole();
      const width = Math.min(Math.max(max - min, (last - first) / 2000), last - first);
      const from = Math.min(Math.max(min, first), last - width);
      plot.setScale("x", { min: from, max: from + width });
    }
    function zoomBy(factor) {
      const [min, max] = span();
      const middle = (min + max) / 2;
      const half = ((max - min) / 2) * factor;
      zoomTo(middle - half, middle + half);
    }
    function moveBy(share) {
      const [min, max] = span();
      const step = (max - min) * share;
      zoomTo(min + step, max + step);
    }
    function readBy(pixels) {
      const at = plot.cursor.left < 0 ? plot.over.clientWidth / 2 : plot.cursor.left + pixels;
      plot.setCursor({ left: Math.min(Math.max(at, 0), plot.over.clientWidth - 1), top: 10 });
    }

    const buttons = element("div", { className: "trace-buttons" });
    [
      ["Zoom in", () => zoomBy(0.5)],
      ["Zoom out", () => zoomBy(2)],
      ["Earlier", () => moveBy(-0.5)],
      ["Later", () => moveBy(0.5)],
      ["Whole run", () => zoomTo(...whole())],
    ].forEach(([words, action]) => {
      const button = element("button", { type: "button", className: "button", textContent: words });
      button.addEventListener("click", action);
      buttons.append(button);
    });

    chart.addEventListener("keydown", (event) => {
      const actions = {
        "+": () => zoomBy(0.5),
        "=": () => zoomBy(0.5),
        "-": () => zoomBy(2),
        "0": () => zoomTo(...whole()),
        ArrowLeft: () => (event.shiftKey ? readBy(-8) : moveBy(-0.2)),
        ArrowRight: () => (event.shiftKey ? readBy(8) : moveBy(0.2)),
      };
      if (plot && actions[event.key]) {
        event.preventDefault();
        actions[event.key]();
      }
    });

    function look(trace) {
      const place = current.filter((item) => item.group === trace.group).indexOf(trace);
      const named = trace.color.startsWith("var(") ? token(trace.color.slice(4, -1)) : trace.color;
      return { color: named, dash: DASHES[place % DASHES.length] };
    }

    // Runs have steps of different length; the plot needs one time axis, so each value stands at the end of its step.
    function joined(unpacked) {
      // The ends belong to the axis, so that the whole run is shown from its start to its end.
      const times = new Set(whole());
      const ends = current.map((trace) => {
        const step = trace.duration_s / trace.n_steps;
        return Array.from({ length: trace.n_steps }, (_, i) => Math.round((i + 0.5) * step * 1e6) / 1e6);
      });
      ends.forEach((list) => list.forEach((time) => times.add(time)));
      const x = Array.from(times).sort((a, b) => a - b);
      const place = new Map(x.map((time, index) => [time, index]));
      const columns = [x];
      unpacked.forEach((sides, number) => {
        [sides.low, sides.high].forEach((values) => {
          // undefined means that this run has no step here; null is a step without a frame, drawn as a gap.
          const column = new Array(x.length).fill(undefined);
          ends[number].forEach((time, index) => { column[place.get(time)] = values[index]; });
          columns.push(column);
        });
      });
      return columns;
    }

    // The frame times of the runs shown, in the stretch shown: each with its time.
    function inView(self) {
      const { min, max } = self.series[0]; // the scale has the stretch shown before while that of the frame times is found
      const found = { low: Infinity, high: [], longest: null };
      current.forEach((trace, number) => {
        if (!visible.get(trace.label)) return;
        const [lows, highs] = [self.data[2 * number + 1], self.data[2 * number + 2]];
        self.data[0].forEach((time, index) => {
          const high = highs[index];
          if (time < min || time > max || high === null || high === undefined) return;
          found.low = Math.min(found.low, lows[index] ?? high);
          found.high.push(high);
          if (!found.longest || high > found.longest.ms) found.longest = { time, ms: high };
        });
      });
      found.high.sort((a, b) => a - b);
      return found;
    }

    // As in the charts: one freeze does not press the rest into a line, and the axis starts where the data do.
    function limits(self) {
      const { low, high } = inView(self);
      if (!high.length) return [0, 1];
      const [usual, greatest] = [high[Math.floor(USUAL * (high.length - 1))], high[high.length - 1]];
      const top = greatest <= MOST_TIMES_USUAL * usual ? greatest : CUT_TIMES_USUAL * usual;
      const room = Math.max(0.12 * (top - low), 0.03 * top);
      return [low - room < NEAR_ZERO * top ? 0 : low - room, top + room];
    }

    function nameLongest(self) {
      const { longest } = inView(self);
      if (!longest) return;
      const { ctx, bbox } = self;
      const words = `longest ${inMs(longest.ms)} ms`;
      const x = self.valToPos(longest.time, "x", true);
      const y = Math.max(bbox.top, self.valToPos(longest.ms, "y", true));
      ctx.save();
      ctx.font = `${13 * devicePixelRatio}px system-ui, sans-serif`;
      ctx.fillStyle = token("--text");
      ctx.textBaseline = "top";
      ctx.textAlign = "left"; // the labels of the axis end where they are placed
      const width = ctx.measureText(words).width;
      ctx.fillText(words, Math.min(Math.max(x - width / 2, bbox.left), bbox.left + bbox.width - width), y + 3);
      ctx.restore();
    }

    function readout(self) {
      const index = self.cursor.idx;
      const pointed = index !== null && index !== undefined && self.cursor.left >= 0;
      const time = pointed ? self.data[0][index] : null;
      where.textContent = pointed
        ? `At ${time.toFixed(2)} s. Beside each run: least to greatest frame time of the step there.`
        : "Point at the chart to read values; drag across it to zoom, double-click for the whole run.";
      current.forEach((trace, number) => {
        const shown = trace.readout;
        if (!pointed) {
          shown.textContent = "";
          return;
        }
        const step = Math.min(trace.n_steps - 1, Math.floor((time / trace.duration_s) * trace.n_steps));
        const low = time <= trace.duration_s ? trace.sides.low[step] : null;
        const high = time <= trace.duration_s ? trace.sides.high[step] : null;
        shown.textContent = high === null || high === undefined ? "no frame" : `${inMs(low ?? high)} to ${inMs(high)} ms`;
      });
    }

    function draw(data) {
      if (plot) plot.destroy();
      const axis = {
        stroke: token("--text-quiet"),
        grid: { stroke: token("--line"), width: 1 },
        ticks: { stroke: token("--line"), width: 1 },
        font: "13px system-ui, sans-serif",
        labelFont: "13px system-ui, sans-serif",
      };
      const series = [{}];
      const bands = [];
      current.forEach((trace, number) => {
        const { color, dash } = look(trace);
        const common = { stroke: color, width: 1, points: { show: false }, show: visible.get(trace.label) };
        series.push({ ...common, label: `${trace.label} least` });
        series.push({ ...common, dash, width: 1.4, label: `${trace.label} greatest` });
        bands.push({ series: [2 * number + 2, 2 * number + 1], fill: `${color}2e` });
      });
      plot = new uPlot(
        {
          width: chart.clientWidth - 10,
          height: Math.max(260, Math.min(420, Math.round(chart.clientWidth * 0.45))),
          scales: { x: { time: false }, y: { range: limits } },
          axes: [
            { ...axis, label: "Time since the start of the run (s)", labelSize: 22 },
            { ...axis, label: "Frame time (ms), lower is better", labelSize: 22, size: 52 },
          ],
          series,
          bands,
          legend: { show: false },
          cursor: { y: false, drag: { x: true, y: false }, points: { show: false } },
          hooks: { setCursor: [readout], ready: [readout], draw: [nameLongest] },
        },
        data,
        chart
      );
    }

    let data = null;

    function listRuns() {
      runs.replaceChildren(element("legend", { textContent: "Runs shown" }));
      current.forEach((trace, number) => {
        const { color, dash } = look(trace);
        const box = element("input", { type: "checkbox", checked: visible.get(trace.label) });
        trace.readout = element("output", {});
        box.addEventListener("change", () => {
          visible.set(trace.label, box.checked);
          plot.setSeries(2 * number + 1, { show: box.checked });
          plot.setSeries(2 * number + 2, { show: box.checked });
        });
        runs.append(element("label", {}, box, swatch(color, dash), element("span", { textContent: trace.label }), trace.readout));
      });
    }

    async function show(index) {
      drawn += 1;
      const mine = drawn;
      const traces = sets[index].traces;
      const unpacked = await Promise.all(traces.map((trace) => unpack(trace.packed)));
      if (mine !== drawn) return;
      current = traces.map((trace, number) => ({ ...trace, sides: unpacked[number] }));
      const seen = new Set();
      visible = new Map(
        current.map((trace) => {
          const first = !seen.has(trace.group);
          seen.add(trace.group);
          return [trace.label, first];
        })
      );
      data = joined(unpacked);
      listRuns();
      draw(data);
    }

    function redraw() {
      if (!data) return;
      listRuns();
      draw(data);
    }

    choice.addEventListener("change", () => show(Number(choice.value)));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
    let width = 0;
    new ResizeObserver(() => {
      if (plot && Math.abs(chart.clientWidth - width) > 1) plot.setSize({ width: chart.clientWidth - 10, height: plot.height });
      width = chart.clientWidth;
    }).observe(chart);

    const label = element("label", {}, element("span", { textContent: "Scene and resolution" }), choice);
    view.append(element("div", { className: "trace-controls" }, label, buttons), chart, where, runs);
    show(0);
  }

  document.querySelectorAll(".traces").forEach(start);
})();
