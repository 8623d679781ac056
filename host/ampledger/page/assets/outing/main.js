/* The view Outing. */

export function start(parts) {
  void parts;
}
