// Lengths in words, and what is told of a valve and of a feeler. The limits and the unit are data, the rules are those
// of the pictures.

/** A length in the unit of the engine's file: inches to thous, and one decimal more where it was given so. */
export function length(mm, unit) {
  const value = mm / unit.mm;
  if (unit.mm === 1) return `${value.toFixed(2)} ${unit.name}`;
  const off = (decimals) => Math.abs(Number(value.toFixed(decimals)) - value);
  const given = off(unit.thous + 1) < 1e-7 && off(unit.thous) > 1e-7;
  return `${value.toFixed(given ? unit.thous + 1 : unit.thous)} ${unit.name}`;
}

/** What is read at a valve: how far it is open, or its clearance and by how much that is drawn larger. */
export function valve(data, close, lift, gap) {
  if (lift >= data.told_mm.open) return `open by ${length(lift, data.unit)}`;
  return `clearance ${length(gap, data.unit)} (drawn × ${close.factor})`;
}

/** A feeler by its thickness, and how it stands in the gap: two lines. */
export function feeler(data, blade) {
  const free = blade.gap - blade.thick;
  const how = free >= data.told_mm.free ? `free by ${length(free, data.unit)}` : blade.gripped;
  return [`feeler ${length(blade.thick, data.unit)}`, how];
}
