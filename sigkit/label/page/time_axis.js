// Ticks that can be read by eye: steps of 1, 2 and 5, with unlabelled ones between.

export function tickStep(span, pixels, least) {
  const raw = (span * least) / Math.max(pixels, 1);
  const power = 10 ** Math.floor(Math.log10(raw));
  return power * [1, 2, 5, 10].find((factor) => factor * power >= raw * (1 - 1e-9));
}

export function ticks(from, to, step) {
  const found = [];
  for (let k = Math.ceil(from / step - 1e-9); k * step <= to + step * 1e-9; k += 1) found.push(Number((k * step).toPrecision(12)));
  return found;
}

export const decimals = (step) => Math.max(0, Math.min(9, Math.ceil(-Math.log10(step) - 1e-9)));

// Unlabelled divisions of a labelled step: tenths where there is room, else fifths.
export const minorStep = (step, pixelsAStep) => (pixelsAStep >= 50 ? step / 10 : step / 5);
