// Solids along a ray: the metal of joints, of necks between them and of copper; part of project.cu.
// `prims` holds 20 floats a primitive: origin and middle between its ends, profile (a, b / 2, c) and half its height, and its map.
// Most are sheared, x + s z and y + t z, which spares two thirds of the map, and closed, met in one interval; what kind a
// primitive is, the whole warp knows, for its lanes meet the same one together.
// shapes/chords.py is the source of segment, solder_length and neck_length; the tests hold both against float64.

#define EVENTS 26
#define ALL 0xffffffffu
#define LARGE 1e30f
#define TOUCH 2e-6f
#define SHEARED 8
#define CLOSED 16

enum { BODY, VOID, GAP, KEEP, PATCH, MIX, NECK_MARK };

struct Ray { float x, y, z, dx, dy, dz; };
struct Chord { float t0, t1, t2, t3; };

struct Scene {
    const float4 *prims;
    const int *joint_rows, *neck_rows, *neck_joints;
    const float *joint_centre, *neck_centre, *neck_radius;
};

// Role of a primitive, SHEARED and CLOSED.
__device__ __forceinline__ int shape_of(const float4 *prims, int k) { return __float_as_int(__ldg(&prims[5 * k + 2].w)); }
__device__ __forceinline__ int role_of(const float4 *prims, int k) { return shape_of(prims, k) & 7; }

__device__ __forceinline__ float approach(const float *source, float cx, float cy, float cz, Ray &ray) {
    float wx = source[0] - cx, wy = source[1] - cy, wz = source[2] - cz;
    float t = -(wx * ray.dx + wy * ray.dy + wz * ray.dz);
    wx += t * ray.dx, wy += t * ray.dy, wz += t * ray.dz;
    ray.x = cx + wx, ray.y = cy + wy, ray.z = cz + wz;
    return wx * wx + wy * wy + wz * wz;
}

// The flank of a primitive along a ray: lead t^2 + 2 half t + rest <= 0 inside; z = up + rise t leaves the middle by no more
// than `tall`.
struct Flank { float lead, half, rest, up, rise, middle, tall; };

__device__ __forceinline__ Flank flank(const float4 *prims, int k, bool sheared, const Ray &r) {
    const float4 *row = (const float4 *)((const char *)prims + (size_t)(unsigned)k * 80u);
    const float4 O = __ldg(row), P = __ldg(row + 1), S = __ldg(row + 2);
    const float px = r.x - O.x, py = r.y - O.y, pz = r.z - O.z;
    float qx, qy, qz, vx, vy, vz;
    if (sheared) {
        qx = px + S.x * pz, qy = py + S.y * pz, qz = pz;
        vx = r.dx + S.x * r.dz, vy = r.dy + S.y * r.dz, vz = r.dz;
    } else {
        const float4 A = __ldg(row + 3), B = __ldg(row + 4);
        qx = A.x * px + A.y * py + A.z * pz, vx = A.x * r.dx + A.y * r.dy + A.z * r.dz;
        qy = A.w * px + B.x * py + B.y * pz, vy = A.w * r.dx + B.x * r.dy + B.y * r.dz;
        qz = B.z * px + B.w * py + S.x * pz, vz = B.z * r.dx + B.w * r.dy + S.x * r.dz;
    }
    const float slope = P.z * qz + P.y;
    return {vx * vx + vy * vy - P.z * vz * vz, qx * vx + qy * vy - vz * slope, qx * qx + (qy * qy - P.x) - qz * (slope + P.y),
            qz, vz, O.w, P.w};
}

__device__ __forceinline__ Chord chord_of(const Flank &f) {
    const Chord none = {0.0f, 0.0f, 0.0f, 0.0f};
    const float lead = f.lead, half = f.half, rest = f.rest, qz = f.up, vz = f.rise;
    const float first = f.middle - f.tall, last = f.middle + f.tall;
    float square = half * half - lead * rest;
    if (square <= 0.0f && (lead > 0.0f || (lead == 0.0f && rest > 0.0f))) return none;
    float lower, upper;
    if (vz != 0.0f) {
        float one = __fdividef(first - qz, vz), other = __fdividef(last - qz, vz);
        lower = fminf(one, other), upper = fmaxf(one, other);
    } else if (first <= qz && qz <= last) {
        lower = -LARGE, upper = LARGE;
    } else return none;
    if (square <= 0.0f) return {lower, upper, 0.0f, 0.0f};
    float sum = -(half + copysignf(sqrtf(square), half));
    float near = __fdividef(rest, sum), far = __fdividef(sum, lead);
    if (near > far) { float t = near; near = far; far = t; }
    if (lead > 0.0f) return {fmaxf(lower, near), fminf(upper, far), 0.0f, 0.0f};
    if (lead < 0.0f) return {lower, fminf(upper, near), fmaxf(lower, far), upper};
    float edge = -rest / (half + half);
    if (half > 0.0f) return {lower, fminf(upper, edge), 0.0f, 0.0f};
    return {fmaxf(lower, edge), upper, 0.0f, 0.0f};
}

__device__ __forceinline__ Chord segment(const float4 *prims, int k, const Ray &r) {
    return chord_of(flank(prims, k, shape_of(prims, k) & SHEARED, r));
}

// The one interval of a ray in a primitive that is CLOSED; whether there is one. `rising` is 1 over the ray's z, never
// infinite, for those that are sheared.
__device__ __forceinline__ bool between(const Flank &f, bool sheared, float rising, float &begin, float &end) {
    const float inverse = sheared ? rising : __fdividef(1.0f, f.rise == 0.0f ? 1.0f / LARGE : f.rise);
    // A ray along a straight flank has no roots; this one's lie far beyond the ends.
    const float lead = fmaxf(f.lead, 1.0f / LARGE), square = f.half * f.half - lead * f.rest;
    const float over = __fdividef(1.0f, lead), root = sqrtf(square) * over, at = -f.half * over;
    const float level = (f.middle - f.up) * inverse, reach = f.tall * fabsf(inverse);
    begin = fmaxf(level - reach, at - root), end = fminf(level + reach, at + root);
    return square > 0.0f && end > begin;
}

// A primitive that is not both: where a ray is in it, and how much of it lies behind a waist.
__device__ __noinline__ float3 odd_way(const float4 *prims, int k, int form, const Ray ray) {
    const Flank side = flank(prims, k, form & SHEARED, ray);
    float begin, end;
    if (form & CLOSED) {
        const bool met = between(side, false, 0.0f, begin, end);
        return make_float3(begin, met ? end : begin, 0.0f);
    }
    const Chord chord = chord_of(side);
    return make_float3(chord.t0, chord.t1, fmaxf(chord.t3 - chord.t2, 0.0f));
}

// The last four bits of the time of an entry or exit hold its mark (2 role + exit), which moves it by less than a
// millionth of itself.
__device__ __forceinline__ int add_events(const float4 *prims, int k, int mark, const Ray &ray, float *events, int n) {
    const Chord c = segment(prims, k, ray);
    for (int piece = 0; piece < 2; piece++) {
        float begin = piece ? c.t2 : c.t0, end = piece ? c.t3 : c.t1;
        if (end > begin) {
            if (n + 2 > EVENTS) return EVENTS + 1;
            events[n] = __int_as_float((__float_as_int(begin) & ~15) | 2 * mark);
            events[n + 1] = __int_as_float((__float_as_int(end) & ~15) | 2 * mark + 1);
            n += 2;
        }
    }
    return n;
}

__device__ __forceinline__ void sort_events(float *events, int n) {
    for (int i = 1; i < n; i++) {
        float t = events[i];
        int j = i - 1;
        for (; j >= 0 && events[j] > t; j--) events[j + 1] = events[j];
        events[j + 1] = t;
    }
}

// Numbers of BODY, VOID, GAP, KEEP, PATCH, MIX that a point lies in, five bits each; of the neck: BODY, NECK_MARK.
struct is_metal_rule {
    __device__ __forceinline__ bool operator()(unsigned inside) const {
        return (inside & 31u) && !(inside & (31u << 5)) && (!(inside & (31u << 10)) || (inside & (1023u << 15)));
    }
};

struct is_neck_rule {
    __device__ __forceinline__ bool operator()(unsigned inside) const { return (inside >> 5) && !(inside & 31u); }
};

__device__ __forceinline__ unsigned one_of(int mark) { return 1u << 5 * (mark == NECK_MARK ? 1 : mark); }

// What solder_length and neck_length do, without room for events: slow, for the rare ray that has too many.
template <class Visit, class Rule>
__device__ __noinline__ void sweep(const float4 *prims, const Ray &ray, Visit visit, Rule rule, float &total, float &second) {
    float now = -LARGE;
    total = second = 0.0f;
    while (true) {
        float next = LARGE;
        visit([&](int k, int mark) {
            const Chord c = segment(prims, k, ray);
            if (c.t1 > c.t0) next = c.t0 > now ? fminf(next, c.t0) : c.t1 > now ? fminf(next, c.t1) : next;
            if (c.t3 > c.t2) next = c.t2 > now ? fminf(next, c.t2) : c.t3 > now ? fminf(next, c.t3) : next;
        });
        if (next >= LARGE) return;
        const float middle = 0.5f * (now + next);
        unsigned inside = 0;
        if (now > -LARGE)
            visit([&](int k, int mark) {
                const Chord c = segment(prims, k, ray);
                if ((c.t0 < middle && middle < c.t1) || (c.t2 < middle && middle < c.t3)) inside += one_of(mark);
            });
        if (rule(inside)) {
            total += next - now;
            if (inside >> 25) second += next - now;
        }
        now = next;
    }
}

template <class Rule>
__device__ __forceinline__ void measure(float *events, int n, Rule rule, float &total, float &second) {
    unsigned inside = 0;
    float before = 0.0f;
    total = second = 0.0f;
    sort_events(events, n);
    for (int i = 0; i < n; i++) {
        float t = events[i];
        int code = __float_as_int(t) & 15;
        if (rule(inside)) {
            total += t - before;
            if (inside >> 25) second += t - before;
        }
        before = t;
        unsigned one = one_of(code >> 1);
        inside += code & 1 ? 0u - one : one;
    }
}

// Length of metal of one joint and its part in MIX.
__device__ __forceinline__ float2 solder_length(const float4 *prims, int first, int last, Ray ray) {
    float events[EVENTS];
    auto visit = [=](auto work) {
        for (int k = first; k < last; k++) work(k, role_of(prims, k));
    };
    int n = 0;
    visit([&](int k, int mark) { n = n > EVENTS ? n : add_events(prims, k, mark, ray, events, n); });
    float2 out;
    if (n > EVENTS) sweep(prims, ray, visit, is_metal_rule(), out.x, out.y);
    else measure(events, n, is_metal_rule(), out.x, out.y);
    return out;
}

// Length of a neck outside the BODY of its two joints.
__device__ __forceinline__ float neck_length(const Scene &s, int neck, Ray ray) {
    float events[EVENTS];
    auto visit = [=](auto work) {
        for (int k = s.neck_rows[2 * neck]; k < s.neck_rows[2 * neck + 1]; k++) work(k, NECK_MARK);
        for (int side = 0; side < 2; side++) {
            int joint = s.neck_joints[2 * neck + side];
            for (int k = s.joint_rows[2 * joint]; k < s.joint_rows[2 * joint + 1]; k++)
                if (role_of(s.prims, k) == BODY) work(k, BODY);
        }
    };
    int n = 0;
    visit([&](int k, int mark) { n = n > EVENTS ? n : add_events(s.prims, k, mark, ray, events, n); });
    float2 out;
    if (n > EVENTS) sweep(s.prims, ray, visit, is_neck_rule(), out.x, out.y);
    else measure(events, n, is_neck_rule(), out.x, out.y);
    return out.x;
}

// An interval of the ray; no numbers: none, so that what is compared with them fits and is taken in.
struct Piece {
    float begin, end;
    __device__ __forceinline__ void clear() { begin = end = __int_as_float(0x7fffffff); }
    __device__ __forceinline__ bool none() const { return begin != begin; }
    // None as the last before the first, for what is measured.
    __device__ __forceinline__ void settle() {
        end = none() ? -LARGE : end, begin = none() ? LARGE : begin;
    }
    __device__ __forceinline__ float common(float t0, float t1) const { return fmaxf(fminf(end, t1) - fmaxf(begin, t0), 0.0f); }
    // Takes t0 .. t1 in if it holds none or they meet (nearer than TOUCH they count as one); whether it did. No branch, so
    // that the intervals stay where they are.
    __device__ __forceinline__ bool grow(bool wanted, float t0, float t1) {
        const bool fits = wanted & !(t0 > end + TOUCH) & !(t1 < begin - TOUCH);
        begin = fits ? fminf(begin, t0) : begin, end = fits ? fmaxf(end, t1) : end;
        return fits;
    }
    // Takes in another, which it may have grown to meet.
    __device__ __forceinline__ void join(Piece &other) {
        if (grow(!other.none(), other.begin, other.end)) other.clear();
    }
};

// Metal of the joint in hand as intervals: two of bodies, less three of voids and of gaps, of which two are kept, where
// keeps and patches, two as well, leave them. `simple` ends where that is too few. Those of a kind lie apart after `close`.
// Written for little code: the multiprocessor's instruction caches hold no more than the usual way of a ray.
struct Sum {
    bool simple;
    Piece a, b, p, q, r, gap, other, keep, patch;
    __device__ __forceinline__ void clear() {
        simple = true;
        a.clear(), b.clear(), p.clear(), q.clear(), r.clear(), gap.clear(), other.clear(), keep.clear(), patch.clear();
    }
    __device__ __forceinline__ bool some() const { return !a.none(); }
    __device__ __forceinline__ void put(Piece &one, Piece &two, bool wanted, float t0, float t1) {
        wanted = wanted & !one.grow(wanted, t0, t1);
        if (wanted) simple = two.grow(true, t0, t1) & simple;
    }
    __device__ __forceinline__ void remove(bool wanted, float t0, float t1) {
        wanted = wanted & !p.grow(wanted, t0, t1);
        if (wanted && !q.grow(true, t0, t1)) simple = r.grow(true, t0, t1) & simple;
    }
    // A gap takes what lies in no keep and no patch.
    __device__ __forceinline__ void spare() {
        const bool swap = patch.begin < keep.begin;
        const float first = swap ? patch.begin : keep.begin, left = swap ? patch.end : keep.end;
        const float next = swap ? keep.begin : patch.begin, right = patch.begin > patch.end ? LARGE : swap ? keep.end : patch.end;
        // What a gap has before, between and behind those two; first the other gap, if there is one, then this one.
        Piece of = other.none() ? gap : other;
        float from = -LARGE, till = first, from_next = left, till_next = next, from_last = right;
#pragma unroll 1
        for (int n = other.none() ? 3 : 0; n < 6; n++) {
            if (n == 3) of = gap, from = -LARGE, till = first, from_next = left, till_next = next, from_last = right;
            const float t0 = fmaxf(of.begin, from), t1 = fminf(of.end, till);
            remove(t1 > t0, t0, t1);
            from = from_next, till = till_next, from_next = from_last, till_next = LARGE;
        }
    }
    __device__ __forceinline__ void close() {
        if (!b.none()) a.join(b);
        if (!gap.none()) {
            gap.join(other), keep.join(patch);
            keep.settle(), patch.settle();
            spare();
        }
        if (!q.none()) p.join(q), p.join(r), p.join(q), q.join(r);
        a.settle(), b.settle();
    }
    __device__ __forceinline__ float covered(const Piece &of, float t0, float t1) const {
        const float begin = fmaxf(of.begin, t0), end = fminf(of.end, t1);
        return a.common(begin, end) + b.common(begin, end);
    }
    // Metal between t0 and t1.
    __device__ __forceinline__ float metal(float t0, float t1) const {
        float length = a.common(t0, t1) + b.common(t0, t1);
        if (!p.none()) length -= covered(p, t0, t1);
        if (!q.none()) length -= covered(q, t0, t1);
        if (!r.none()) length -= covered(r, t0, t1);
        return length;
    }
};

// Length of a neck outside the BODY of its two joints, in whose place it has voids; whether that is a simple sum.
__device__ __forceinline__ bool plain_neck(const Scene &s, int neck, const Ray &ray, float &length) {
    Sum sum;
    sum.clear();
    length = 0.0f;
#pragma unroll 1
    for (int part = 0; part < 3; part++) {
        const int joint = part ? s.neck_joints[2 * neck + part - 1] : 0, *rows = part ? s.joint_rows + 2 * joint : s.neck_rows + 2 * neck;
#pragma unroll 1
        for (int k = rows[0]; k < rows[1]; k++) {
            if (part && role_of(s.prims, k) != BODY) continue;
            const Chord chord = segment(s.prims, k, ray);
            if (part) sum.remove(chord.t1 > chord.t0, chord.t0, chord.t1);
            else sum.put(sum.a, sum.b, chord.t1 > chord.t0, chord.t0, chord.t1);
            sum.simple = sum.simple && !(chord.t3 > chord.t2);
        }
        if (sum.simple && !sum.some()) return true;
    }
    sum.close();
    if (sum.simple) length = sum.metal(-LARGE, LARGE);
    return sum.simple;
}

// What a joint or, with ~neck, a neck adds of metal and of second alloy to a ray, whose origin lies anywhere on it.
__device__ __noinline__ float2 slow_length(const Scene s, const float *source, int who, Ray ray) {
    if (who >= 0) {
        const float *centre = s.joint_centre + 3 * who;
        approach(source, centre[0], centre[1], centre[2], ray);
        return solder_length(s.prims, s.joint_rows[2 * who], s.joint_rows[2 * who + 1], ray);
    }
    const float *centre = s.neck_centre + 3 * ~who;
    const float reach = s.neck_radius[~who];
    if (approach(source, centre[0], centre[1], centre[2], ray) >= reach * reach) return make_float2(0.0f, 0.0f);
    float length;
    return make_float2(plain_neck(s, ~who, ray, length) ? length : neck_length(s, ~who, ray), 0.0f);
}
