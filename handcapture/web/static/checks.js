// The checks of a layout while its buttons move: the same as the library's, on the same numbers, in the same words.
// `model` is what table.json gives; `places` maps labels to [x, y], `locked` labels to true or false; mm, panel frame.

const NEVER_WAIVED = new Set(["holes-overlap", "hole-off-panel", "hole-opening-overlap", "opening-off-panel", "openings-overlap"]);
const ORDER = { error: 0, warning: 1, advice: 2 };

// Figures in words, as Python writes them: a half goes to the even neighbour.

export function fixed(x, digits) {
  const halves = x * 2 ** (digits + 1);
  if (Number.isInteger(halves) && Math.abs(halves) % 2 === 1) {
    const low = Math.floor(Math.abs(x) * 10 ** digits);
    return ((Math.sign(x) * (low % 2 === 0 ? low : low + 1)) / 10 ** digits).toFixed(digits);
  }
  return x.toFixed(digits);
}

const round = (x, digits) => Number(fixed(x, digits));
export const general = (x) => String(Number(x.toPrecision(6)));

// The normal distribution

function erfc(x) {
  const z = Math.abs(x);
  let value;
  if (z < 2.5) {
    // erf by its series of positive terms (Abramowitz and Stegun 7.1.6)
    let term = z;
    let sum = z;
    for (let n = 1; term > 1e-17 * sum; n += 1) {
      term *= (2 * z * z) / (2 * n + 1);
      sum += term;
    }
    value = 1 - (2 / Math.sqrt(Math.PI)) * Math.exp(-z * z) * sum;
  } else if (z > 27) {
    value = 0;
  } else {
    // The continued fraction (7.1.14), from its tail
    let tail = z;
    for (let k = 60; k >= 1; k -= 1) tail = z + k / 2 / tail;
    value = Math.exp(-z * z) / (tail * Math.sqrt(Math.PI));
  }
  return x < 0 ? 2 - value : value;
}

const below = (x) => 0.5 * erfc(-x / Math.SQRT2);

export function landing(button, place, limits) {
  const radius = button.plunger_mm / 2;
  if (!button.scatter) return null;
  if (radius <= 0) return 0;
  const { sd, axes } = button.scatter;
  const off = [button.wish_mm[0] - place[0], button.wish_mm[1] - place[1]];
  const mean = [axes[0][0] * off[0] + axes[1][0] * off[1], axes[0][1] * off[0] + axes[1][1] * off[1]];
  const low = Math.max(-radius, mean[1] - 9 * sd[1]);
  const high = Math.min(radius, mean[1] + 9 * sd[1]);
  if (high <= low) return 0;
  let sum = 0;
  for (let k = 0; k < limits.nodes.length; k += 1) {
    const y = (high + low) / 2 + ((high - low) / 2) * limits.nodes[k];
    const half = Math.sqrt(Math.max(radius * radius - y * y, 0));
    const inner = below((half - mean[0]) / sd[0]) - below((-half - mean[0]) / sd[0]);
    const across = (y - mean[1]) / sd[1];
    sum += (limits.weights[k] * inner * Math.exp(-0.5 * across * across)) / (sd[1] * Math.sqrt(2 * Math.PI));
  }
  return Math.min(1, Math.max(0, ((high - low) / 2) * sum));
}

// Distances

export function inside(place, radius, panel) {
  if (panel.outline) return clearance(place, panel.outline) - radius;
  const halfX = panel.width_mm / 2;
  const halfY = panel.height_mm / 2;
  const x = Math.abs(place[0] - halfX) - (halfX - panel.corner_radius_mm);
  const y = Math.abs(place[1] - halfY) - (halfY - panel.corner_radius_mm);
  const outside = Math.hypot(Math.max(x, 0), Math.max(y, 0)) + Math.min(Math.max(x, y), 0);
  return panel.corner_radius_mm - outside - radius;
}

function clearance([x, y], outline) {
  let nearest = Infinity;
  for (let k = 0; k < outline.starts.length; k += 1) {
    let px;
    let py;
    if (outline.radii[k] === null) {
      const [ax, ay] = outline.starts[k];
      const dx = outline.ends[k][0] - ax;
      const dy = outline.ends[k][1] - ay;
      const share = Math.min(1, Math.max(0, ((x - ax) * dx + (y - ay) * dy) / Math.max(dx * dx + dy * dy, 1e-18)));
      px = ax + share * dx;
      py = ay + share * dy;
    } else {
      const [cx, cy] = outline.centres[k];
      const far = Math.hypot(x - cx, y - cy);
      const angle = far < 1e-9 ? outline.middles[k] : Math.atan2(y - cy, x - cx);
      const whole = 2 * Math.PI;
      const turned = ((((angle - outline.middles[k] + Math.PI) % whole) + whole) % whole) - Math.PI;
      const on = outline.middles[k] + Math.min(outline.half_turns[k], Math.max(-outline.half_turns[k], turned));
      px = cx + outline.radii[k] * Math.cos(on);
      py = cy + outline.radii[k] * Math.sin(on);
    }
    nearest = Math.min(nearest, Math.hypot(x - px, y - py));
  }
  return holds(outline.points, x, y) ? nearest : -nearest;
}

function holds(points, x, y) {
  let within = false;
  for (let k = 0; k < points.length; k += 1) {
    const [ax, ay] = points[k];
    const [bx, by] = points[(k + 1) % points.length];
    if (ay > y !== by > y && x < ax + ((bx - ax) * (y - ay)) / (by - ay)) within = !within;
  }
  return within;
}

function gapToObstacle(button, place, obstacle) {
  let radius = button.hole_mm / 2;
  if (obstacle.face !== "below") radius = Math.max(radius, button.top_radius_mm);
  if (obstacle.face !== "above") radius = Math.max(radius, button.below_radius_mm);
  const passes = obstacle.face === "below" && obstacle.headroom_mm !== null;
  if (passes && button.depth_mm > 0 && button.depth_mm <= obstacle.headroom_mm) return Infinity;
  let x = Math.abs(place[0] - obstacle.centre_mm[0]);
  let y = Math.abs(place[1] - obstacle.centre_mm[1]);
  if (obstacle.shape === "circle") return Math.hypot(x, y) - obstacle.diameter_mm / 2 - radius;
  x -= obstacle.size_mm[0] / 2;
  y -= obstacle.size_mm[1] / 2;
  return Math.hypot(Math.max(x, 0), Math.max(y, 0)) + Math.min(Math.max(x, y), 0) - radius;
}

// Findings

function finding(code, severity, message, concerns, numbers, remedy) {
  return { code, severity, message, concerns, numbers, remedy, waived: null };
}

function* webs({ panel, buttons, limits }, places) {
  for (let k = 0; k < buttons.length; k += 1) {
    for (let j = k + 1; j < buttons.length; j += 1) {
      const [a, b] = [buttons[k], buttons[j]];
      const [p, q] = [places[a.label], places[b.label]];
      const web = Math.hypot(p[0] - q[0], p[1] - q[1]) - (a.hole_mm + b.hole_mm) / 2;
      const both = [a.label, b.label];
      const numbers = { web_mm: round(web, 3), least_mm: panel.web_mm };
      if (web < 0) {
        yield finding("holes-overlap", "error", `The holes of ${a.label} and ${b.label} overlap by ${fixed(-web, 1)} mm.`, both, numbers, "Move one of them.");
      } else if (web < panel.web_mm - limits.tolerance_mm) {
        yield finding("web-thin", "error", `${a.label} and ${b.label} leave ${fixed(web, 1)} mm of web, less than the ${general(panel.web_mm)} mm asked for.`, both, numbers, `Move them ${fixed(panel.web_mm - web, 1)} mm apart.`);
      } else if (web < limits.finger_gap_mm - limits.tolerance_mm && (a.side !== b.side || a.finger !== b.finger)) {
        yield finding("finger-gap-small", "advice", `${a.label} and ${b.label}, worked by different fingers, stand ${fixed(web, 1)} mm apart.`, both, { gap_mm: round(web, 3), advised_mm: limits.finger_gap_mm }, `From ${general(limits.finger_gap_mm)} mm on, a finger seldom catches its neighbour's button.`);
      }
    }
  }
}

function* parts({ panel, buttons, limits }, places) {
  for (let k = 0; k < buttons.length; k += 1) {
    for (let j = k + 1; j < buttons.length; j += 1) {
      const [a, b] = [buttons[k], buttons[j]];
      const [p, q] = [places[a.label], places[b.label]];
      const apart = Math.hypot(p[0] - q[0], p[1] - q[1]);
      const kinds = [
        ["rims-collide", "rims", Math.max(a.rim_mm, b.rim_mm), a.top_radius_mm + b.top_radius_mm, panel.rim_gap_mm],
        ["bodies-collide", "bodies below the panel", Math.max(a.below_mm, b.below_mm), a.below_radius_mm + b.below_radius_mm, panel.body_gap_mm],
      ];
      for (const [code, what, known, reach, least] of kinds) {
        const gap = apart - reach;
        if (known > 0 && gap < least - limits.tolerance_mm) {
          const told = gap < 0 ? `overlap by ${fixed(-gap, 1)} mm.` : `leave ${fixed(gap, 1)} mm between them.`;
          yield finding(code, "error", `The ${what} of ${a.label} and ${b.label} ${told}`, [a.label, b.label], { gap_mm: round(gap, 3), least_mm: least }, `Move them ${fixed(least - gap, 1)} mm apart.`);
        }
      }
    }
  }
}

function* edges({ panel, buttons, limits }, places) {
  for (const button of buttons) {
    const { label } = button;
    const edge = inside(places[label], button.hole_mm / 2, panel);
    const over = button.top_radius_mm - button.hole_mm / 2 - edge;
    const numbers = { edge_mm: round(edge, 3), least_mm: panel.edge_mm };
    if (edge < 0) {
      yield finding("hole-off-panel", "error", `The hole of ${label} runs ${fixed(-edge, 1)} mm over the edge of ${panel.name}.`, [label], numbers, "Move it inwards or take a larger panel.");
      continue;
    }
    if (over > limits.tolerance_mm) {
      yield finding("rim-over-edge", "error", `The rim of ${label} stands ${fixed(over, 1)} mm over the edge of ${panel.name}.`, [label], { over_mm: round(over, 3) }, `Move it ${fixed(over, 1)} mm inwards.`);
    }
    if (edge < panel.edge_mm - limits.tolerance_mm) {
      yield finding("edge-near", "error", `${label} is ${fixed(edge, 1)} mm from the edge; ${general(panel.edge_mm)} mm are asked for.`, [label], numbers, `Move it ${fixed(panel.edge_mm - edge, 1)} mm inwards.`);
    }
  }
}

function* obstacles({ panel, buttons, limits }, places) {
  for (const obstacle of panel.obstacles) {
    for (const button of buttons) {
      const { label } = button;
      const gap = gapToObstacle(button, places[label], obstacle);
      const between = gap + Math.max(button.top_radius_mm, button.below_radius_mm) - button.hole_mm / 2;
      if (obstacle.opening && between < -limits.tolerance_mm) {
        yield finding("hole-opening-overlap", "error", `The hole of ${label} runs ${fixed(-between, 1)} mm into the opening “${obstacle.name}”.`, [label, obstacle.name], { gap_mm: round(between, 3) }, "Move one of them.");
      }
      if (gap < obstacle.clearance_mm - limits.tolerance_mm) {
        yield finding("keep-out-hit", "error", `${label} is ${fixed(gap, 1)} mm from “${obstacle.name}”, less than the ${general(obstacle.clearance_mm)} mm asked for.`, [label, obstacle.name], { gap_mm: round(gap, 3), least_mm: obstacle.clearance_mm }, `Move one of them by ${fixed(obstacle.clearance_mm - gap, 1)} mm.`);
      }
    }
  }
}

function* fingers({ buttons, limits }, places, locked, landings) {
  for (const button of buttons) {
    const { label } = button;
    const finger = `${button.side} ${button.finger}`;
    const [x, y] = places[label];
    const moved = Math.hypot(x - button.wish_mm[0], y - button.wish_mm[1]);
    if (moved > limits.far_from_finger_mm) {
      yield finding("far-from-finger", moved > button.hole_mm && !locked[label] ? "error" : "warning", `${label} stands ${fixed(moved, 1)} mm from where the ${finger} wants it.`, [label], { moved_mm: round(moved, 3) }, locked[label] ? "It is fixed there: free it, or accept the stretch." : "Give neighbours more room: smaller holes, a thinner web, another row, or no fixed places.");
    }
    const share = landings[label];
    if (share !== null && share < limits.least_landing) {
      yield finding("landing-low", "warning", `The ${finger} lands on ${label} in ${fixed(100 * share, 0)} of 100 placements only.`, [label], { landing_probability: round(share, 4) }, "A larger hole or a place nearer to the finger helps; more photos tell the place better.");
    }
  }
}

function* reaches({ buttons, limits }, places) {
  for (const side of ["left", "right"]) {
    const moves = [];
    for (const { label, side: mine, row, reach } of buttons) {
      if (mine !== side || row !== "far" || !reach || reach.furthest_mm === null) continue;
      const [x, y] = places[label];
      const far = (x - reach.contact_mm[0]) * reach.along[0] + (y - reach.contact_mm[1]) * reach.along[1];
      const beyond = Math.max(0, far - reach.furthest_mm);
      if (beyond > limits.hand_moves_mm) moves.push([label, beyond]);
    }
    if (moves.length) {
      const labels = moves.map(([label]) => label);
      const most = Math.max(...moves.map(([, beyond]) => beyond));
      yield finding("hand-must-move", "advice", `For ${labels.join(", ")} the ${side} hand has to move, by up to ${fixed(most, 0)} mm; stretching the finger alone does not reach so far.`, labels, { moves_mm: round(most, 3) }, "Lower far_mm for what must be reached at once or often.");
    }
  }
}

const covers = (waiver, code, concerns) => waiver.code === code && (!waiver.concerns.length || sameSet(waiver.concerns, concerns));

function sameSet(a, b) {
  const [one, other] = [new Set(a), new Set(b)];
  return one.size === other.size && [...one].every((entry) => other.has(entry));
}

export function landingsOf(model, places) {
  return Object.fromEntries(model.buttons.map((button) => [button.label, landing(button, places[button.label], model.limits)]));
}

// `held` are findings of kinds that the library alone works out, as it found them last.
export function findings(model, places, locked, held, landings = landingsOf(model, places)) {
  const found = [
    ...webs(model, places),
    ...parts(model, places),
    ...edges(model, places),
    ...obstacles(model, places),
    ...fingers(model, places, locked, landings),
    ...reaches(model, places),
    ...held,
  ];
  for (const one of found) {
    const waiver = NEVER_WAIVED.has(one.code) ? null : model.waivers.find((w) => covers(w, one.code, one.concerns));
    one.waived = waiver ? waiver.reason : null;
  }
  found.sort((a, b) => ORDER[a.severity] - ORDER[b.severity]);
  const idle = model.waivers.filter((w) => !found.some((one) => covers(w, one.code, one.concerns)));
  for (const waiver of idle) {
    const about = [waiver.code, waiver.concerns.join(", ")].slice(0, waiver.concerns.length ? 2 : 1).join(" for ");
    found.push(finding("waiver-idle", "advice", `The waiver of ${about} covers nothing.`, waiver.concerns, {}, "Take it out of the plan, or mend its code and names."));
  }
  return found;
}
