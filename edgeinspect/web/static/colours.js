// Our scale for deviations: pale at zero, ochre for too much material, violet for cut too deep; both ends are told apart by every common
// kind of colour blindness because they differ along blue-yellow and along light-dark.
const LIT = { zero: [244, 242, 234], much: [255, 140, 26], deep: [158, 124, 255] };

// share: deviation over limit, -1 .. 1
export function deviationColour(share) {
  const t = Math.min(1, Math.abs(share)) ** 0.8;
  const end = share >= 0 ? LIT.much : LIT.deep;
  return `rgb(${LIT.zero.map((from, i) => Math.round(from + (end[i] - from) * t)).join(" ")})`;
}
