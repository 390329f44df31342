// The cycle from 0 to 720 degrees: a row for each cylinder with what its valves do and its sparks, and the cursor.

const INK = { light: { ground: "#ffffff", text: "#000000", rule: "#767676", row: "#efefef" },
  dark: { ground: "#16191c", text: "#f2f2f2", rule: "#9a9a9a", row: "#262b30" } };
const INLET = "#56B4E9";
const EXHAUST = "#E69F00";
const SPARK = "#CC79A7";

/** Draws the strip; returns [left, right] of the degrees, in CSS pixels. rows: [cylinder, [[from, to, kind]], [spark]]. */
export function drawStrip(canvas, rows, crank, dark) {
  const density = Math.min(globalThis.devicePixelRatio || 1, 2);
  const [wide, tall] = [canvas.clientWidth, canvas.clientHeight];
  canvas.width = Math.round(wide * density);
  canvas.height = Math.round(tall * density);
  const pen = canvas.getContext("2d");
  pen.scale(density, density);
  const ink = dark ? INK.dark : INK.light;
  pen.fillStyle = ink.ground;
  pen.fillRect(0, 0, wide, tall);
  const left = 34;
  const right = wide - 8;
  const scale = 16;
  const row = (tall - scale) / rows.length;
  const x = (angle) => left + ((angle % 720) + 720) % 720 / 720 * (right - left);
  pen.textBaseline = "middle";
  pen.font = `bold ${Math.max(8, Math.min(13, row * 0.8))}px sans-serif`;
  rows.forEach(([name, open, sparks], number) => {
    const top = number * row;
    if (number % 2 === 0) {
      pen.fillStyle = ink.row;
      pen.fillRect(left, top, right - left, row);
    }
    pen.fillStyle = ink.text;
    pen.textAlign = "right";
    pen.fillText(name, left - 4, top + row / 2);
    for (const [from, to, kind] of open) {
      const inlet = kind === "inlet";
      const [y, high] = inlet ? [top + row * 0.5, row * 0.38] : [top + row * 0.12, row * 0.38];
      pen.fillStyle = inlet ? INLET : EXHAUST;
      pen.strokeStyle = ink.text;
      pen.lineWidth = 0.6;
      for (const [a, b] of pieces(from, to)) {
        pen.fillRect(x(a), y, (b - a) / 720 * (right - left), high);
        pen.strokeRect(x(a), y, (b - a) / 720 * (right - left), high);
      }
    }
    pen.fillStyle = SPARK;
    pen.strokeStyle = ink.text;
    for (const spark of sparks) {
      pen.beginPath();
      pen.moveTo(x(spark), top + row * 0.1);
      pen.lineTo(x(spark) + row * 0.28, top + row * 0.5);
      pen.lineTo(x(spark), top + row * 0.9);
      pen.lineTo(x(spark) - row * 0.28, top + row * 0.5);
      pen.closePath();
      pen.fill();
      pen.stroke();
    }
  });
  pen.strokeStyle = ink.rule;
  pen.fillStyle = ink.text;
  pen.font = "11px sans-serif";
  pen.textAlign = "center";
  for (let angle = 0; angle <= 720; angle += 90) {
    const at = left + angle / 720 * (right - left);
    pen.beginPath();
    pen.moveTo(at, tall - scale);
    pen.lineTo(at, tall - scale + 4);
    pen.stroke();
    pen.textAlign = angle === 720 ? "right" : "center";
    pen.fillText(`${angle}°`, angle === 720 ? right + 6 : at, tall - 6);
  }
  pen.strokeStyle = ink.text;
  pen.lineWidth = 2;
  pen.beginPath();
  pen.moveTo(x(crank), 0);
  pen.lineTo(x(crank), tall - scale);
  pen.stroke();
  return [left, right];
}

function pieces(from, to) {
  const start = ((from % 720) + 720) % 720;
  const end = start + (to - from);
  return end <= 720 ? [[start, end]] : [[start, 720], [0, end - 720]];
}
