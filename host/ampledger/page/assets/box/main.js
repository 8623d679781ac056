/* The view Box. */

export function start(parts) {
  void parts;
}
