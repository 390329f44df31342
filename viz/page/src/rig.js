// The state of the engine and the poses of its parts, from the lines, tables and chains that come with the page.
// Nothing is known here of engines: ratios, tables and frames are data. Angles in degrees, lengths in millimetres.

const RADIANS = Math.PI / 180;
const CRANK_ANGLE = "crank angle";

/** Bytes of the packed block as typed arrays: floats, 16-bit shares, 32-bit corners. */
export async function unpack(text, counts) {
  const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  const raw = await new Response(stream).arrayBuffer();
  const [floats, shares, corners] = counts;
  return {
    floats: new Float32Array(raw, 0, floats),
    shares: new Uint16Array(raw, 4 * floats, shares),
    corners: new Uint32Array(raw, 4 * floats + 2 * shares, corners),
  };
}

/** Lines and clearances of an assembly: the first one's, with what differs in this one. */
export function assembly(data, number) {
  const first = data.assemblies[0];
  const own = data.assemblies[number];
  return { lines: { ...first.lines, ...own.lines }, less: { ...first.less, ...own.less } };
}

/** The moment at a share (0 to 1) of a step: assembly number, crank angle, free coordinates. */
export function moment(step, share) {
  if (share >= 1) return { assembly: step.after, crank: step.crank[1], free: {} };
  const free = {};
  for (const [name, start] of [...step.moves].reverse()) free[name] = start;
  for (const [name, start, end, begin, until] of step.moves) {
    if (share < begin) continue;
    const span = until - begin;
    const u = span > 0 ? Math.min(1, Math.max(0, (share - begin) / span)) : Number(share >= until);
    free[name] = start + (end - start) * (3 - 2 * u) * u * u;
  }
  const crank = "crank" in free ? free.crank : step.crank[0];
  delete free.crank;
  return { assembly: step.during, crank, free };
}

/** All coordinates at a moment. */
export function state(data, block, now) {
  const { lines, less } = assembly(data, now.assembly);
  const found = { [CRANK_ANGLE]: now.crank };
  for (const [name, [parent, ratio, offset]] of Object.entries(lines)) {
    const loose = name in now.free && (!parent || name.endsWith(" turned"));
    found[name] = (parent ? ratio * found[parent] : 0) + (loose ? now.free[name] : offset);
  }
  for (const [name, table] of Object.entries(data.tables)) {
    let value = between(block.floats, table.at, found[table.driver]);
    if (table.less) {
      const clearance = less[table.less];
      found[`${name}, to come`] = clearance === null ? 0 : Math.max(0, clearance - value);
      value = clearance === null ? 0 : Math.max(0, value - clearance);
    }
    if (table.arm) value = -Math.asin(value / table.arm) / RADIANS;
    found[name] = value;
  }
  return found;
}

/**
 * The feeler of a step in the clearance of a valve; null where there is none. It holds the gap open as it is drawn:
 * the state is changed for that.
 */
export function blade(data, step, now, found) {
  const own = step && step.feeler;
  const thick = (own && own.thick[now.assembly]) || 0;
  if (!thick || found[`valve ${own.of}`] > data.told_mm.shut) return null;
  const drawn = `valve ${own.of}, to come`;
  const gap = found[drawn];
  const { factor } = data.close[`valve ${own.of}`];
  found[drawn] = Math.max(gap, (factor * thick - gap) / (factor - 1));
  found[`valve ${own.of}, feeler`] = thick - 1;
  return { of: own.of, thick, gap, gripped: own.gripped };
}

function between(floats, [at, count], angle) {
  const place = (((angle % 360) + 360) % 360) / 360 * count;
  const low = Math.floor(place);
  const share = place - low;
  return floats[at + (low % count)] * (1 - share) + floats[at + ((low + 1) % count)] * share;
}

/** World pose of every chain, as 12 numbers: three rows of four. */
export function poses(data, found) {
  return data.chains.map((chain) => {
    let pose = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0];
    for (const element of chain) {
      if (typeof element[0] === "number") pose = times(pose, element);
      else {
        const [kind, axis, coordinate, ratio] = element;
        const q = (found[coordinate] ?? 0) * ratio;
        pose = times(pose, JOINTS[kind](axis, q));
      }
    }
    return pose;
  });
}

function times(a, b) {
  const made = new Array(12);
  for (let row = 0; row < 12; row += 4) {
    for (let column = 0; column < 4; column += 1) {
      made[row + column] =
        a[row] * b[column] + a[row + 1] * b[4 + column] + a[row + 2] * b[8 + column] + (column === 3 ? a[row + 3] : 0);
    }
  }
  return made;
}

function turned([x, y, z], angle) {
  const c = Math.cos(angle * RADIANS);
  const s = Math.sin(angle * RADIANS);
  const d = 1 - c;
  return [
    x * x * d + c, x * y * d - z * s, x * z * d + y * s, 0,
    y * x * d + z * s, y * y * d + c, y * z * d - x * s, 0,
    z * x * d - y * s, z * y * d + x * s, z * z * d + c, 0,
  ];
}

function slid([x, y, z], way) {
  return [1, 0, 0, x * way, 0, 1, 0, y * way, 0, 0, 1, z * way];
}

/** Longer by a share along a unit axis: the origin stays. */
function stretched([x, y, z], share) {
  const [a, b, c] = [x * share, y * share, z * share];
  return [1 + a * x, a * y, a * z, 0, b * x, 1 + b * y, b * z, 0, c * x, c * y, 1 + c * z, 0];
}

const JOINTS = { turn: turned, slide: slid, stretch: stretched };

/** How the driven end of a coupling stands to its quill or sleeve: out of line [deg of its shaft], tooth, drawn. */
export function outOfLine(reading, found) {
  const quill = found[reading.quill];
  const ahead = reading.sense * (found[reading.driven] - quill);
  const turn = (reading.sense * (quill - found[reading.driving])) / reading.tooth;
  const tooth = Math.round(turn);
  return {
    out: wrapped(reading.phase - ahead, reading.pitch),
    tooth: ((tooth % reading.count) + reading.count) % reading.count,
    between: Math.abs(turn - tooth) * reading.tooth > 0.05,
    drawn: Math.abs(found[reading.slide]) > 1e-6,
  };
}

function wrapped(angle, period) {
  return angle - period * Math.round(angle / period);
}
