// Identities and moments, made here so that a record is the same one however often it is sent.

// crypto.randomUUID is missing on plain http; getRandomValues is not. RFC 9562, version 4.
export function uuid() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  return [8, 12, 16, 20].reduceRight((s, at) => `${s.slice(0, at)}-${s.slice(at)}`, hex);
}

let last = 0;

// Each later than the one before, even within one millisecond: the order of entry is the order.
export function moment() {
  last = Math.max(Date.now(), last + 1);
  return new Date(last).toISOString();
}
