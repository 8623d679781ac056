/* The view Trip. */

export function start(parts) {
  void parts;
}
