// A reader's own choice of cells and prices: combines the estimates in the page by the rules of the review.
// Logs throughout; a scatter is [standard error, degrees of freedom, whether the card's pooled scatter stands in].
(function () {
  "use strict";

  // Student's distribution by the incomplete beta function: its continued fraction (NIST DLMF 8.17.22), by Lentz's way.
  function logGamma(x) {
    // Stirling's series (DLMF 5.11.1) from 10 on, where its terms below reach the last bits.
    let shift = 0;
    for (; x < 10; x += 1) shift += Math.log(x);
    const y = 1 / (x * x);
    const series = (1 / 12 - y * (1 / 360 - y * (1 / 1260 - y * (1 / 1680 - y * (1 / 1188 - (y * 691) / 360360))))) / x;
    return (x - 0.5) * Math.log(x) - x + 0.5 * Math.log(2 * Math.PI) + series - shift;
  }

  function fraction(a, b, x) {
    const kept = (value) => (Math.abs(value) < 1e-300 ? 1e-300 : value);
    let c = 1;
    let d = 1 / kept(1 - ((a + b) * x) / (a + 1));
    let found = d;
    for (let m = 1; m < 10000; m += 1) {
      const even = (m * (b - m) * x) / ((a + 2 * m - 1) * (a + 2 * m));
      const odd = (-(a + m) * (a + b + m) * x) / ((a + 2 * m) * (a + 2 * m + 1));
      let step = 1;
      for (const term of [even, odd]) {
        d = 1 / kept(1 + term * d);
        c = kept(1 + term / c);
        step = c * d;
        found *= step;
      }
      if (Math.abs(step - 1) < 1e-16) break;
    }
    return found;
  }

  // The share of Student's distribution that lies farther out than t, on both sides.
  function tails(t, freedom) {
    const [a, b, x] = [freedom / 2, 0.5, freedom / (freedom + t * t)];
    if (x >= 1) return 1;
    const front = Math.exp(
      logGamma(a + b) - logGamma(a) - logGamma(b) + a * Math.log1p((-t * t) / (freedom + t * t)) +
        b * Math.log((t * t) / (freedom + t * t)));
    return x < (a + 1) / (a + b + 2) ? (front * fraction(a, b, x)) / a : 1 - (front * fraction(b, a, 1 - x)) / b;
  }

  // The t beyond which `outside` lies on both sides, by bisection of its log down to the last bits.
  function quantile(outside, freedom) {
    let [low, high] = [-3, 60];
    for (let step = 0; step < 200; step += 1) {
      const middle = 0.5 * (low + high);
      if (middle === low || middle === high) break;
      if (tails(Math.exp(middle), freedom) > outside) low = middle;
      else high = middle;
    }
    return Math.exp(0.5 * (low + high));
  }

  const total = (values) => {
    // Neumaier's sum: what is lost to rounding is added at the end.
    let [sum, lost] = [0, 0];
    for (const value of values) {
      const next = sum + value;
      lost += Math.abs(sum) >= Math.abs(value) ? sum - next + value : value - next + sum;
      sum = next;
    }
    return sum + lost;
  };
  const mean = (values) => total(values) / values.length;
  const has = (list, item) => list.includes(item);

  // A difference of logs: bounds of its t interval, and how it is shown as a ratio.
  function bounds(difference, outside) {
    if (!difference || difference.error === null) return null;
    const least = bounds(difference.atLeast, outside);
    const own = quantile(outside, difference.freedom) * difference.error;
    const half = least ? Math.max(own, (least[1] - least[0]) / 2) : own;
    return [difference.value - half, difference.value + half];
  }

  function interval(difference) {
    const ends = bounds(difference, 0.05);
    return !ends || ends[1] - ends[0] > 2 * Math.log(1e6) ? null : ends.map(Math.exp);
  }

  function verdict(difference, sign, margin) {
    const [inner, outer] = [bounds(difference, 0.1), bounds(difference, 0.05)];
    if (!inner) return "undecided";
    const edge = Math.log1p(margin);
    const turned = (ends) => (sign < 0 ? [-ends[1], -ends[0]] : ends);
    const [near, far, value] = [turned(inner), turned(outer), sign * difference.value];
    if (-edge < near[0] && near[1] < edge) return "tied";
    if (far[0] > 0 && value > edge) return "ahead";
    return far[1] < 0 && value < -edge ? "behind" : "undecided";
  }

  // Welch and Satterthwaite: independent variances, those from one pooled scatter added up first.
  function combined(terms) {
    const value = total(terms.map((term) => term.weight * term.mean));
    const parts = new Map();
    for (const [at, term] of terms.entries()) {
      if (term.error === null) return { value, error: null, freedom: 0 };
      const key = term.pooled ? `card ${term.card}` : at;
      const known = parts.get(key) || [0, 0];
      parts.set(key, [known[0] + term.weight ** 2 * term.error ** 2, term.freedom]);
    }
    const variance = total([...parts.values()].map((part) => part[0]));
    if (variance === 0) return { value, error: null, freedom: 0 };
    const freedom = 1 / total([...parts.values()].map((part) => (part[0] / variance) ** 2 / part[1]));
    return { value, error: Math.sqrt(variance), freedom };
  }

  // Scenes as a sample: the mean of each is one draw, weighed by its share of the cells.
  function overSample(ratios, groups) {
    const members = new Map();
    ratios.forEach((value, at) => members.set(groups[at], [...(members.get(groups[at]) || []), value]));
    if (members.size < 2) return null;
    const means = [...members.values()].map(mean);
    const weights = [...members.values()].map((values) => values.length / ratios.length);
    const center = mean(means);
    const spread = Math.sqrt(total(means.map((value) => (value - center) ** 2)) / (means.length - 1));
    const error = spread * Math.sqrt(total(weights.map((weight) => weight * weight)));
    if (error === 0) return null;
    return { value: total(means.map((value, at) => value * weights[at])), error, freedom: means.length - 1 };
  }

  // Holm's adjustment of the p values that are known.
  function holm(values) {
    const known = values.map((p, at) => [p, at]).filter(([p]) => p !== null).sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    const adjusted = values.map(() => null);
    let least = 0;
    known.forEach(([p, at], place) => {
      least = Math.max(least, p * (known.length - place));
      adjusted[at] = Math.min(1, least);
    });
    return adjusted;
  }

  // Everything that follows from a choice. `cells` are places in data.cells; `prices` one a card, null where unknown.
  function review(data, cells, prices) {
    const cards = data.cards.map((_, card) => card);
    const base = data.baseline;

    // Which cards and cells stand in one table: as `frametime.review.table_cells` says.
    const hasHeadline = (card, cell) => data.means[0][card][cell] !== null;
    const own = cards.map((card) => cells.filter((cell) => hasHeadline(card, cell)));
    let table = cards.filter((card) => own[card].length);
    const shared = (some) => cells.filter((cell) => some.every((card) => has(own[card], cell)));
    let common = table.length ? shared(table) : [];
    if (table.length) {
      let anchor = base;
      if (!has(table, base)) anchor = table.reduce((a, b) => (own[b].length > own[a].length ? b : a));
      while (2 * common.length < own[anchor].length) {
        const without = (card) => shared(table.filter((other) => other !== card)).length;
        const leaving = table.filter((card) => card !== anchor)
          .map((card) => [without(card), -own[card].length, card])
          .sort((a, b) => b[0] - a[0] || b[1] - a[1] || b[2] - a[2])[0][2];
        table = table.filter((card) => card !== leaving);
        common = shared(table);
      }
    }
    const lacking = data.lacking.map((pairs) => new Set(pairs.map(([card, cell]) => `${card} ${cell}`)));
    const withOthers = (some, from) => {
      let kept = from;
      for (const missing of lacking) {
        const left = kept.filter((cell) => some.every((card) => !missing.has(`${card} ${cell}`)));
        if (2 * left.length >= from.length) kept = left;
      }
      return kept;
    };
    const cellsOf = cards.map(() => withOthers(table, common));
    for (const card of cards.filter((item) => !has(table, item))) {
      const both = own[card].filter((cell) => has(own[base], cell));
      const used = both.length ? both : own[card];
      cellsOf[card] = withOthers(used.every((cell) => has(own[base], cell)) ? [card, base] : [card], used);
    }

    function pair(metric, card, other, used) {
      const means = data.means[metric];
      if (!used.length || used.some((cell) => !means[card][cell] || !means[other][cell])) return null;
      const at = used.length === 1 ? 4 : 1;
      const term = (who, cell, weight) => {
        const item = means[who][cell];
        return { weight, mean: item[0], error: item[at], freedom: item[at + 1], pooled: item[at + 2], card: who };
      };
      const share = 1 / used.length;
      const terms = used.flatMap((cell) => [term(card, cell, share), term(other, cell, -share)]);
      const ratios = used.map((cell) => means[card][cell][0] - means[other][cell][0]);
      const groups = used.map((cell) => (data.sample === "cell" ? cell : data.cells[cell][0]));
      const [these, like] = [combined(terms), overSample(ratios, groups)];
      return { these, like: like && { ...like, atLeast: these } };
    }
    const meanOf = (metric, card, used) => {
      const items = used.map((cell) => data.means[metric][card][cell]);
      return items.length && items.every(Boolean) ? Math.exp(mean(items.map((item) => item[0]))) : null;
    };

    function standings(metric) {
      const sign = data.metrics[metric].better === "lower" ? -1 : 1;
      const pairs = table.flatMap((card, at) => table.slice(at + 1).map((other) => {
        const found = pair(metric, card, other, cellsOf[card]);
        const these = found && found.these;
        const p = !these || these.error === null ? null : tails(these.value / these.error, these.freedom);
        return { card, other, p, verdict: verdict(these, sign, data.margin) };
      }));
      const adjusted = holm(pairs.map((item) => item.p));
      const better = new Set(pairs.map((item, at) => {
        if (!has(["ahead", "behind"], item.verdict) || adjusted[at] === null || adjusted[at] >= 0.05) return "";
        return item.verdict === "ahead" ? `${item.card} ${item.other}` : `${item.other} ${item.card}`;
      }));
      const rows = [...table, ...cards.filter((card) => !has(table, card))].map((card) => {
        const used = cellsOf[card];
        const found = pair(metric, card, base, used);
        const [value, baseValue] = [meanOf(metric, card, used), meanOf(metric, base, used)];
        const best = 1 + table.filter((other) => better.has(`${other} ${card}`)).length;
        const worst = table.length - table.filter((other) => better.has(`${card} ${other}`)).length;
        const place = best === worst ? `${best}` : `${best} to ${worst}`;
        return {
          card, value, baseValue, n: used.length, apart: !has(table, card),
          place: has(table, card) ? place : "apart",
          ratio: value && baseValue && value / baseValue,
          interval: card === base || !found ? null : interval(found.these),
          like: card === base || !found ? null : interval(found.like),
          verdict: card === base ? null : verdict(found && found.these, sign, data.margin),
          likeVerdict: card === base ? null : verdict(found && found.like, sign, data.margin),
        };
      });
      const order = (row) => (row.value === null ? Infinity : -sign * Math.log(row.value));
      return [...rows.filter((row) => !row.apart).sort((a, b) => order(a) - order(b) || 0), ...rows.filter((row) => row.apart)];
    }

    function valueOf(row) {
      const [card, baseCard] = [data.cards[row.card], data.cards[base]];
      const [price, basePrice] = [prices[row.card], prices[base]];
      const currency = (who, amount) => (amount === null ? null : who.currency || data.currency || null);
      const same = currency(card, price) === currency(baseCard, basePrice);
      const known = same || price === null ? basePrice : null;
      const ownPrice = same ? price : null;
      const [ratio, ends] = row.card === base ? [null, null] : [row.ratio, row.interval];
      const byPrice = known === null || ownPrice === null ? null : known / ownPrice;
      const scaled = (interval_, factor) => interval_ && factor !== null ? interval_.map((end) => end * factor) : null;
      return {
        card: row.card, apart: row.apart, price, mean: row.value,
        perFps: price === null || row.value === null ? null : price / row.value,
        perMoney: price === null || row.value === null ? null : row.value / price,
        ratio: ratio && byPrice && ratio * byPrice, ends: scaled(ends, byPrice),
        even: ratio && known && known * ratio, evenEnds: scaled(ends, known),
        baseEven: ratio && ownPrice && ownPrice * (1 / ratio),
        baseEvenEnds: ends && ownPrice !== null ? [ownPrice / 1 / ends[1], ownPrice / ends[0]] : null,
      };
    }

    return {
      cells: cellsOf[base], n: cells.length,
      standings: data.metrics.map((_, metric) => standings(metric)),
      value: prices.every((price) => price === null) ? [] : standings(data.speed).map(valueOf),
    };
  }

  // Numbers as the review prints them: `frametime.render.numbers` and `frametime.words`.
  const MINUS = "\u2212";
  function fixed(value, decimals) {
    // A tie goes to the even digit, as in Python; the digits of a double beyond a tie are all zero.
    const long = Math.abs(value).toFixed(Math.min(100, decimals + 40));
    const cut = long.length - (Math.min(100, decimals + 40) - decimals);
    const isTie = /^50*$/.test(long.slice(cut));
    const head = long.slice(0, cut).replace(/\.$/, "");
    const text = isTie && "02468".includes(head.slice(-1)) ? head : Math.abs(value).toFixed(decimals);
    return (value < 0 || Object.is(value, -0) ? "-" : "") + text;
  }
  const signed = (value) => (value < 0 || Object.is(value, -0) ? "" : "+") + fixed(value, 1);
  const plain = (text) => text.replace("-", MINUS);
  function number(value) {
    if (value === null || !Number.isFinite(value)) return "n/a";
    if (value === 0) return "0";
    const place = (some) => Math.floor(Math.log10(Math.abs(some)));
    const rounded = Number(fixed(value, Math.max(0, 3 - place(value))));
    return plain(fixed(value, Math.max(0, 3 - place(rounded || value))));
  }
  function change(ratio) {
    if (ratio === null) return "n/a";
    const text = signed((ratio - 1) * 100);
    return Number(text) === 0 ? "0.0\u00a0%" : `${plain(text)}\u00a0%`;
  }
  const changes = (ends) =>
    ends ? `${ends.map((end) => (end === 1 ? "0.0" : plain(signed((end - 1) * 100)))).join(" to ")}\u00a0%` : "n/a";
  function money(amount, ends) {
    if (amount === null) return "n/a";
    const isRough = ends ? ends[1] - ends[0] >= 1 : Number.isInteger(amount);
    return fixed(amount, isRough ? 0 : 2);
  }
  const priced = (amount, ends) =>
    amount === null || !ends ? money(amount, null) : `${money(amount, ends)} (${money(ends[0], ends)} to ${money(ends[1], ends)})`;

  // The form and the tables.
  function made(tag, properties, ...children) {
    const element = Object.assign(document.createElement(tag), properties || {});
    element.append(...children);
    return element;
  }

  function tableOf(caption, headings, rows) {
    const head = made("tr", {}, ...headings.map((text, at) => made("th", { scope: "col", className: at ? "n" : "" }, text)));
    const body = rows.map((cells) => made("tr", {}, ...cells.map((item, at) =>
      at ? made("td", { className: "n" }, item) : made("th", { scope: "row", className: item.length < 24 ? "k" : "" }, item))));
    const table = made("table", {}, made("caption", {}, made("span", {}, caption)), made("thead", {}, head), made("tbody", {}, ...body));
    const scroll = made("div", { className: "scroll", tabIndex: 0 }, table);
    scroll.setAttribute("role", "region");
    scroll.setAttribute("aria-label", caption);
    return made("div", { className: "table" }, scroll);
  }

  function markOf(data, word) {
    if (!word) return "baseline";
    const [symbol, tone] = data.marks[word];
    const sign = made("i", {}, symbol);
    sign.setAttribute("aria-hidden", "true");
    return made("span", { className: `mark ${tone}` }, sign, ` ${word}`);
  }

  function shown(data, found) {
    const label = (card) => data.cards[card].label;
    const against = label(data.baseline);
    const isBase = (row) => row.card === data.baseline;
    const judged = (row, word) => (row.ratio === null ? "\u2013" : markOf(data, word));
    const tables = data.metrics.map((metric, at) => tableOf(
      `${metric.heading}, your choice: geometric means over ${found.cells.length} of ${found.n} cells.`,
      ["Card", "Place", metric.heading, `Against ${against}`, "95 %, these scenes", "Verdict", "95 %, scenes like these",
        "Verdict there", "Cells"],
      found.standings[at].map((row) => [
        label(row.card), row.place, number(row.value),
        ...(isBase(row)
          ? ["baseline", "baseline", "baseline", "baseline", "baseline"]
          : [change(row.ratio), changes(row.interval), judged(row, row.verdict), changes(row.like), judged(row, row.likeVerdict)]),
        `${row.n}`,
      ])));
    const rows = found.value.filter((row) => row.price !== null);
    if (rows.length) {
      const unit = data.currency || "money";
      tables.push(tableOf(
        `Value, your choice${data.currency ? ` (${data.currency})` : ""}.`,
        ["Card", "Price", `${unit} per fps`, `fps per ${unit}`, "Speed for the money", "95 % interval", "Break-even price",
          `${against} breaks even at`],
        rows.map((row) => [
          label(row.card), money(row.price, null), money(row.perFps, null), number(row.perMoney),
          ...(isBase(row)
            ? ["baseline", "baseline", "\u2013", "\u2013"]
            : [change(row.ratio), changes(row.ends), priced(row.even, row.evenEnds), priced(row.baseEven, row.baseEvenEnds)]),
        ])));
    }
    return tables;
  }

  function start(box) {
    const data = JSON.parse(box.querySelector(".reader-data").textContent);
    const switches = (labels) => labels.map((text) => {
      const input = made("input", { type: "checkbox", checked: true });
      return { input, label: made("label", {}, input, made("span", {}, text)) };
    });
    const scenes = switches(data.scenes.map((scene) => scene.label));
    const resolutions = switches(data.resolutions);
    const tagNames = [...new Set(data.scenes.flatMap((scene) => scene.tags))];
    const tags = switches(tagNames);
    const prices = data.cards.map((card) => {
      const input = made("input", { type: "number", min: "0", step: "any", value: card.price === null ? "" : `${card.price}` });
      return { input, label: made("label", {}, made("span", {}, card.label), input) };
    });
    const set = (legend, items) =>
      items.length ? [made("fieldset", {}, made("legend", {}, legend), ...items.map((item) => item.label))] : [];
    const again = made("button", { type: "button", className: "button" }, "As in the review");
    const outcome = made("div", {});
    outcome.setAttribute("aria-live", "polite");
    const form = made("div", { className: "reader-form" }, ...set("Scenes", scenes), ...set("Tags", tags),
      ...set("Resolutions", resolutions), ...set(data.currency ? `Prices (${data.currency})` : "Prices", prices));

    function update() {
      tags.forEach(({ input }, at) => {
        const on = scenes.filter((_, scene) => has(data.scenes[scene].tags, tagNames[at])).map((scene) => scene.input.checked);
        input.checked = on.every(Boolean);
        input.indeterminate = !input.checked && on.some(Boolean);
      });
      const cells = data.cells.map((_, at) => at).filter((at) =>
        scenes[data.cells[at][0]].input.checked && resolutions[data.cells[at][1]].input.checked);
      const asked = prices.map(({ input }) => (Number(input.value) > 0 && Number.isFinite(Number(input.value)) ? Number(input.value) : null));
      outcome.replaceChildren(...(cells.length
        ? shown(data, review(data, cells, asked))
        : [made("p", {}, "No cell is left: switch on a scene and a resolution.")]));
    }

    tags.forEach(({ input }, at) => input.addEventListener("change", () => {
      scenes.forEach((scene, place) => { if (has(data.scenes[place].tags, tagNames[at])) scene.input.checked = input.checked; });
      update();
    }));
    [...scenes, ...resolutions].forEach(({ input }) => input.addEventListener("change", update));
    prices.forEach(({ input }) => input.addEventListener("input", update));
    again.addEventListener("click", () => {
      [...scenes, ...resolutions].forEach(({ input }) => { input.checked = true; });
      prices.forEach(({ input }, at) => { input.value = data.cards[at].price === null ? "" : `${data.cards[at].price}`; });
      update();
    });
    box.replaceChildren(form, again, outcome, box.querySelector(".reader-data"));
    update();
  }

  document.querySelectorAll(".reader").forEach(start);
})();
