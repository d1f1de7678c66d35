// The projector of project.py in CUDA C, compiled at run time: a block takes a tile of one view and lists the items (of
// shadows.cu) that meet it. The rules are the CPU's, but that a pixel near a joint has one ray where it meets no metal.
// Shapes and units are those of load.Sent; `prims` holds 20 floats a primitive: origin and first end, profile (a, b / 2, c)
// and last end, and its map. Most are sheared, x + s z and y + t z, which spares two thirds of the map, and closed, met in
// one interval; what kind a primitive is, the whole warp knows, for its lanes meet the same one together.
// shapes/chords.py is the source of segment, solder_length and neck_length; the tests hold both against float64.

#define WIDE 32
#define TALL 32
#define AREA (WIDE * TALL)
#ifndef THREADS
#define THREADS 256
#endif
#ifndef BLOCKS
#define BLOCKS 4
#endif
#define WARPS (THREADS / 32)
#define COARSE 8
// Of the work of a tile: 1, all but the pixels with solids, which it lists for 2; 0, everything at once.
#ifndef PART
#define PART 0
#endif
#define LISTED 1024
#define WORDS (LISTED / 32)
#define EVENTS 26
#define BOXES 48
#define ALL 0xffffffffu
#define LARGE 1e30f
#define TOUCH 2e-6f
#define FEW 8
#define SHEARED 8
#define CLOSED 16
#define LATER 32
#ifndef PLAIN
#define PLAIN 2
#endif
#define BEND 1e-4f
// Where the owner of an entry begins, above what else is known of it; nobody.
#define OWNER 9
#define NOBODY (-0x3fffff)
// Warps of a block of `lists`.
#define TILES 8

#ifdef __CUDACC__
__device__ __forceinline__ int2 shared_pair(unsigned at) {
    int2 out;
    asm("ld.shared.v2.s32 {%0, %1}, [%2];" : "=r"(out.x), "=r"(out.y) : "r"(at));
    return out;
}
#endif

enum { BODY, VOID, GAP, KEEP, PATCH, MIX, NECK_MARK };
enum { JOINT, NECK, COPPER_IN_AIR, SUNK, REST };

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

__device__ __forceinline__ unsigned cover(int first, int last, int start, int size) {
    int low = max(first - start, 0), high = min(last - start, size);
    return high > low ? (ALL >> (32 - (high - low))) << low : 0u;
}

// Lengths of a ray in the materials of boxes.
struct Filling { float copper, laminate, silicon; };

// Boxes come as stacks: what has the same sides, with the heights where the material changes and by how much. Three
// float4 a stack: its sides; first and last height, first and last + 1 layer; its thickness of copper, laminate, silicon.
// A layer is a height and what ends less what begins there of the three.
struct Stacks {
    const float4 *stacks, *layers;
    int count;
    // What the whole tile has to do with a stack: 1, no ray meets it; 2, all run through it from end to end and cross its
    // heights within its sides. Judged by one corner of the tile, whose direction is `own`, the next one round and the
    // one across: all four must say 2, one says 1.
    __device__ __forceinline__ int met(int n, const float *source, const float *own, const float *next, const float *across) const {
        const float4 side = __ldg(&stacks[3 * n]), ends = __ldg(&stacks[3 * n + 1]);
        const float low[3] = {side.x - source[0], side.z - source[1], ends.x - source[2]};
        const float high[3] = {side.y - source[0], side.w - source[1], ends.y - source[2]};
        float within = 0.0f, middle = 0.0f, reach = 0.0f;
#pragma unroll
        for (int i = 0; i < 3; i++) {
            const float normal = own[(i + 1) % 3] * next[(i + 2) % 3] - own[(i + 2) % 3] * next[(i + 1) % 3];
            within += normal * across[i], middle += 0.5f * normal * (low[i] + high[i]);
            reach += 0.5f * fabsf(normal) * (high[i] - low[i]);
        }
        if ((within > 0.0f ? middle : -middle) + reach < 0.0f) return 1;
        const float near = __fdividef(low[2], own[2]), far = __fdividef(high[2], own[2]);
        const bool alike = own[2] * next[2] > 0.0f && own[2] * across[2] > 0.0f;
        const float x0 = fminf(near * own[0], far * own[0]), x1 = fmaxf(near * own[0], far * own[0]);
        const float y0 = fminf(near * own[1], far * own[1]), y1 = fmaxf(near * own[1], far * own[1]);
        return alike && near > 0.0f && far > 0.0f && low[0] < x0 && x1 < high[0] && low[1] < y0 && y1 < high[1] ? 2 : 0;
    }
    // Whether the mean length of a pixel's sub-rays in stack n may differ from that of its middle: they meet its sides and
    // heights in different orders, or nearly so, or one of them so flatly that the length bends by more than BEND mm.
    // `d` is the direction of the middle, not normalised, which sub-rays leave by `off` at most.
    __device__ __forceinline__ bool bent(int n, const float *source, const float *d, const float *off) const {
        const float4 side = __ldg(&stacks[3 * n]), ends = __ldg(&stacks[3 * n + 1]);
        float inverse[3], part[3], most = BEND * rsqrtf(d[0] * d[0] + d[1] * d[1] + d[2] * d[2]);
#pragma unroll
        for (int i = 0; i < 3; i++) {
            if (fabsf(d[i]) <= 2.0f * off[i]) return true;
            inverse[i] = __fdividef(1.0f, d[i]), part[i] = __fdividef(off[i], fabsf(d[i]) - off[i]);
        }
        const float x0 = (side.x - source[0]) * inverse[0], x1 = (side.y - source[0]) * inverse[0];
        const float y0 = (side.z - source[1]) * inverse[1], y1 = (side.w - source[1]) * inverse[1];
        const float in_x = fminf(x0, x1), in_y = fminf(y0, y1), out_x = fmaxf(x0, x1), out_y = fmaxf(y0, y1);
        const float in_slack = part[0] * fabsf(in_x) + part[1] * fabsf(in_y), out_slack = part[0] * fabsf(out_x) + part[1] * fabsf(out_y);
        const float begin = fmaxf(in_x, in_y), end = fminf(out_x, out_y);
        const float in_part = in_x < in_y ? part[1] : part[0], out_part = out_y < out_x ? part[1] : part[0];
        const float t0 = in_part * fabsf(begin), t1 = out_part * fabsf(end);
        if (end < begin - t0 - t1) return false;
        bool any = end < begin + t0 + t1;
        // Where all of it lies before or behind what has two sides alike, those are never met.
        float low = LARGE, high = -LARGE;
        for (int k = __float_as_int(ends.z); k < __float_as_int(ends.w); k++) {
            const float t = (__ldg(&layers[k].x) - source[2]) * inverse[2], near = part[2] * fabsf(t);
            any = any || fabsf(t - begin) < near + t0 || fabsf(t - end) < near + t1 || (begin < t && t < end && near * part[2] > most);
            low = fminf(low, t - near), high = fmaxf(high, t + near);
        }
        if (high < fminf(in_x, in_y) - in_slack || low > fmaxf(out_x, out_y) + out_slack) return false;
        if (low < begin + in_slack) any = any || fabsf(in_x - in_y) < in_slack || t0 * in_part > most;
        if (high > end - out_slack) any = any || fabsf(out_x - out_y) < out_slack || t1 * out_part > most;
        return any;
    }
    // What of stack n the ray goes through, added with the sign of its direction along z.
    __device__ __forceinline__ void through(int n, const Ray &r, float ix, float iy, float iz, Filling &sum) const {
        const float4 side = __ldg(&stacks[3 * n]), ends = __ldg(&stacks[3 * n + 1]);
        const float x0 = (side.x - r.x) * ix, x1 = (side.y - r.x) * ix, y0 = (side.z - r.y) * iy, y1 = (side.w - r.y) * iy;
        const float begin = fmaxf(fminf(x0, x1), fminf(y0, y1)), end = fmaxf(fminf(fmaxf(x0, x1), fmaxf(y0, y1)), begin);
#pragma unroll 1
        for (int k = __float_as_int(ends.z); k < __float_as_int(ends.w); k++) {
            const float4 layer = __ldg(&layers[k]);
            const float t = fminf(fmaxf((layer.x - r.z) * iz, begin), end);
            sum.copper += layer.y * t, sum.laminate += layer.z * t, sum.silicon += layer.w * t;
        }
    }
};

// Rays of a tile, per axis of the board: direction to the middle of its first pixel, steps to the next column and row, source.
struct Axes {
    float start[3], across[3], down[3], source[3];
    __device__ __forceinline__ Axes(const float *frame, float u0, float v0, float pixel_mm, float distance, int row0, int column0) {
        const float u = u0 + (float)column0 * pixel_mm, v = v0 + (float)row0 * pixel_mm;
#pragma unroll
        for (int i = 0; i < 3; i++) {
            source[i] = frame[i], across[i] = pixel_mm * frame[3 + i], down[i] = pixel_mm * frame[6 + i];
            start[i] = distance * frame[9 + i] + u * frame[3 + i] + v * frame[6 + i];
        }
    }
};

// The energies of a scan are parameters, so that they lie in constant memory and cost no load: five attenuations (solder,
// copper, laminate, silicon, second alloy) times -log2(e), weights for signal and variance. A scan with more than FEW
// reads them from `bins`.
#define ENERGY(n) float sol##n, float cop##n, float lam##n, float sil##n, float sec##n, float wgt##n, float var##n
#define NUMBERS(n) {sol##n, cop##n, lam##n, sil##n, sec##n, wgt##n, var##n}

struct Lengths { float solder, copper, laminate, silicon, second; };

// Signal and variance of a ray, summed over the energies; metal of joints only if SOLID.
template <bool SOLID>
__device__ __forceinline__ float2 behind(const Lengths &l, const float (*few)[7], const float4 *energy, int energies) {
    float passed = 0.0f, spread = 0.0f;
    if (energies <= FEW) {
#pragma unroll
        for (int e = 0; e < FEW; e++) {
            const float *m = few[e];
            const float others = m[1] * l.copper + m[2] * l.laminate + m[3] * l.silicon;
            const float left = exp2f(SOLID ? m[0] * l.solder + others + m[4] * l.second : others);
            passed += m[5] * left, spread += m[6] * left;
        }
    } else {
#pragma unroll 1
        for (int e = 0; e < energies; e++) {
            const float4 m = energy[2 * e], n = energy[2 * e + 1];
            const float others = m.y * l.copper + m.z * l.laminate + m.w * l.silicon;
            const float left = exp2f(SOLID ? m.x * l.solder + others + n.x * l.second : others);
            passed += n.y * left, spread += n.z * left;
        }
    }
    return make_float2(passed, spread);
}

// What a tile has to do with items and boxes, found by `lists`: number of items, of stacks its rays cross in part, thickness
// (copper, laminate, silicon) of those that they cross as a whole; (by `project`) number of pixels with sub-rays and of others
// with solids; the stacks crossed in part.
#define ABOUT (7 + BOXES)

// A warp takes a tile: it lists the items that may touch it, in their order, and sorts out the boxes, four lanes a stack.
// Tiles with items come first in `order`, whose first two numbers count those with and those without.
extern "C" __global__ void __launch_bounds__(32 * TILES) lists(
    const short4 *spans, int n_items, const float *frames, int first_view, const float *u0, const float *v0, float pixel_mm,
    float distance, int rows, int columns, const float4 *stacks, const float4 *layers, int n_stacks, int tiles, int *order,
    int *about, int *listed, int room, int *lost) {
    const int lane = threadIdx.x & 31, tile = blockIdx.x * TILES + (threadIdx.x >> 5);
    if (tile >= tiles) return;
    const int wide = (columns + WIDE - 1) / WIDE, tall = (rows + TALL - 1) / TALL;
    const int view = first_view + tile / (wide * tall), row0 = tile / wide % tall * TALL, column0 = tile % wide * WIDE;
    const short4 *span = spans + (size_t)view * n_items;
    int *list = listed + (size_t)tile * room, *facts = about + (size_t)tile * ABOUT;
    int total = 0;
#pragma unroll 2
    for (int k = lane; k - lane < n_items; k += 32) {
        bool hit = false;
        if (k < n_items) {
            const short4 p = __ldg(&span[k]);
            hit = p.x < row0 + TALL && p.y > row0 && p.z < column0 + WIDE && p.w > column0;
        }
        const unsigned votes = __ballot_sync(ALL, hit);
        const int at = total + __popc(votes & ((1u << lane) - 1u));
        if (hit && at < LISTED) list[at] = k;
        total += __popc(votes);
    }
    const Stacks boxes = {stacks, layers, n_stacks};
    const Axes axes(frames + 12 * view, u0[view], v0[view], pixel_mm, distance, row0, column0);
    Filling sum = {0.0f, 0.0f, 0.0f};
    int kept = 0;
#pragma unroll 1
    for (int first = 0; first < n_stacks; first += 8) {
        const int n = first + (lane >> 2);
        float corner[3][3];
#pragma unroll
        for (int i = 0; i < 3; i++) {
#pragma unroll
            for (int turn = 0; turn < 3; turn++) {
                const int which = lane + turn & 3;
                corner[turn][i] = axes.start[i] + (which == 1 || which == 2 ? WIDE - 0.5f : -0.5f) * axes.across[i] + (which > 1 ? TALL - 0.5f : -0.5f) * axes.down[i];
            }
        }
        const int met = n < n_stacks ? boxes.met(n, axes.source, corner[0], corner[1], corner[2]) : 1;
        const unsigned none = __ballot_sync(ALL, met == 1), all = __ballot_sync(ALL, met == 2), mine = 15u << (lane & 28);
        const bool whole = !(none & mine) && (all & mine) == mine, part = (lane & 3) == 0 && !whole && !(none & mine);
        if (whole && (lane & 3) == 0) {
            const float4 thickness = __ldg(&stacks[3 * n + 2]);
            sum.copper += thickness.x, sum.laminate += thickness.y, sum.silicon += thickness.z;
        }
        const unsigned parts = __ballot_sync(ALL, part);
        if (part) facts[7 + kept + __popc(parts & ((1u << lane) - 1u))] = n;
        kept += __popc(parts);
    }
#pragma unroll
    for (int step = 4; step < 32; step *= 2) {
        sum.copper += __shfl_xor_sync(ALL, sum.copper, step), sum.laminate += __shfl_xor_sync(ALL, sum.laminate, step);
        sum.silicon += __shfl_xor_sync(ALL, sum.silicon, step);
    }
    if (lane) return;
    if (total > LISTED) lost[0] = 1;
    facts[0] = min(total, LISTED), facts[1] = kept;
    facts[2] = __float_as_int(sum.copper), facts[3] = __float_as_int(sum.laminate), facts[4] = __float_as_int(sum.silicon);
    const int rank = atomicAdd(&order[total ? 0 : 1], 1);
    order[2 + (total ? rank : tiles - 1 - rank)] = tile;
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) project(
    const float4 *prims, const int *joint_rows, const int *neck_rows, const int *neck_joints,
    const float *joint_centre, const float *neck_centre, const float *neck_radius, const int4 *items,
    const short4 *spans, const float4 *seen, const float *ways, int n_items, const int *order, int *about, const int *listed, int room, short *busy_of_tiles,
    const float *frames, int first_view, const float *u0,
    const float *v0, float pixel_mm, float distance, int edge, const float *bins, int energies, int rows, int columns,
    const float4 *stacks, const float4 *layers, int n_stacks, ENERGY(0), ENERGY(1), ENERGY(2), ENERGY(3), ENERGY(4), ENERGY(5),
    ENERGY(6), ENERGY(7), float *signal, float *variance, float *absorbed) {
    const float few[FEW][7] = {NUMBERS(0), NUMBERS(1), NUMBERS(2), NUMBERS(3), NUMBERS(4), NUMBERS(5), NUMBERS(6), NUMBERS(7)};
    const Scene s = {prims, joint_rows, neck_rows, neck_joints, joint_centre, neck_centre, neck_radius};
    const Stacks boxes = {stacks, layers, n_stacks};
    extern __shared__ float4 energy[];
    // An item of the tile: its number; its kind, whether it asks for sub-rays, role and form, and above OWNER the end of its
    // joint's rows, ~neck or, behind the last item and of others, NOBODY.
    __shared__ int2 entries[LISTED + 1];
    __shared__ unsigned in_row[WORDS][TALL], in_column[WORDS][WIDE], solid[WORDS], several[WORDS], metal[WORDS];
    __shared__ int found[3], later[WARPS][LATER], crossed[BOXES], next_turn;
    // Pixels with sub-rays from the front, with one ray and solids from the back; those without solids.
    // Of the first 32 items those whose bounding ball a pixel's rays may meet.
#if PART == 0
    __shared__ short busy[AREA], idle[AREA];
    __shared__ unsigned touched[AREA];
#elif PART == 1
    __shared__ short idle[AREA];
#endif
    // Per axis of the board: direction to the middle of the tile's first pixel, steps to the next column and row, source.
    __shared__ float4 axes[3];
#if defined(__CUDACC__) && defined(OPAQUE)
    unsigned list_at = (unsigned)__cvta_generic_to_shared(entries);
#ifdef APART
    list_at = __shfl_sync(ALL, list_at, threadIdx.x & 31);
#else
    asm volatile("mov.u32 %0, %0;" : "+r"(list_at));
#endif
#define ENTRY(i) shared_pair(list_at + 8u * (unsigned)(i))
#else
#define ENTRY(i) entries[i]
#endif
    const int thread = threadIdx.x, lane = thread & 31, warp = thread >> 5;
    const int wide = (columns + WIDE - 1) / WIDE, tall = (rows + TALL - 1) / TALL, tile = __ldg(&order[2 + blockIdx.x]);
#if PART == 2
    if (blockIdx.x >= __ldg(&order[0])) return;
#endif
    const int image = tile / (wide * tall), view = first_view + image, row0 = tile / wide % tall * TALL, column0 = tile % wide * WIDE;
    int *facts = about + (size_t)tile * ABOUT;
    const int *list = listed + (size_t)tile * room;
    const int total = facts[0], crossings = facts[1];
    const Filling flat = {__int_as_float(facts[2]), __int_as_float(facts[3]), __int_as_float(facts[4])};
#if PART
    short *busy = busy_of_tiles + (size_t)tile * AREA;
#endif
    const short4 *span = spans + (size_t)view * n_items;
    seen += (size_t)view * n_items, ways += (size_t)view * n_items;
    const float *frame = frames + 12 * view;
    if (thread < 3) {
        const Axes of(frame, u0[view], v0[view], pixel_mm, distance, row0, column0);
        found[thread] = PART == 2 && thread < 2 ? facts[5 + thread] : 0;
#pragma unroll
        for (int i = 0; i < 3; i++)
            if (thread == i) axes[i] = make_float4(of.start[i], of.across[i], of.down[i], of.source[i]);
    }
    if (thread == 3) next_turn = 0, entries[LISTED] = make_int2(0, REST | NOBODY << OWNER);
    for (int n = thread; n < crossings; n += THREADS) crossed[n] = facts[7 + n];
    for (int i = thread; i < total; i += THREADS) {
        const int k = __ldg(&list[i]);
        const int4 item = __ldg(&items[k]);
        const int who = item.x == JOINT ? __ldg(&joint_rows[2 * item.y + 1]) : item.x == NECK ? ~item.y : NOBODY;
        entries[i] = make_int2(k, item.x | item.z << 3 | item.w << 4 | who << OWNER);
    }
    for (int e = thread; energies > FEW && e < energies; e += THREADS) {
        const float scale = -1.44269504089f;
        energy[2 * e] = make_float4(scale * bins[e], scale * bins[energies + e], scale * bins[2 * energies + e],
                                    scale * bins[3 * energies + e]);
        energy[2 * e + 1] = make_float4(scale * bins[4 * energies + e], bins[5 * energies + e], bins[6 * energies + e], 0.0f);
    }
    __syncthreads();
    // Every warp makes its share of rows and columns.
    const int words = total + 31 >> 5;
#pragma unroll 1
    for (int w = 0; w < words; w++) {
        const int i = 32 * w + lane;
        int fact = REST;
        unsigned across = 0, down = 0;
        if (i < total) {
            fact = entries[i].y;
            const short4 p = __ldg(&span[entries[i].x]);
            down = cover(p.x, p.y, row0, TALL), across = cover(p.z, p.w, column0, WIDE);
        }
#pragma unroll
        for (int line = warp; line < TALL; line += WARPS) {
            unsigned votes = __ballot_sync(ALL, down >> line & 1u), others = __ballot_sync(ALL, across >> line & 1u);
            if (lane == 0) in_row[w][line] = votes, in_column[w][line] = others;
        }
        if (warp == w % WARPS) {
            const int kind = fact & 7;
            const unsigned a = __ballot_sync(ALL, kind != REST), b = __ballot_sync(ALL, fact & 8);
            const unsigned c = __ballot_sync(ALL, kind == JOINT ? (fact >> 4 & 7) == BODY : kind != REST);
            if (lane == 0) solid[w] = a, several[w] = b, metal[w] = c;
        }
    }
    __syncthreads();
#if PART < 2
    // Near a joint pixels have sub-rays, except where those meet no metal and the same boxes alike: one ray is as good. Which
    // solids may be met, their bounding balls tell, wider by how far sub-rays lie from the middle of their pixel.
    const float aside = 0.5f * (float)(edge - 1) * __fdividef(1.0f, (float)edge);
#pragma unroll 1
    for (int pixel = thread; words > 0 && pixel < AREA; pixel += THREADS) {
        // In patches of 8x4 pixels of blocks of 4x2, so that the rays of one warp stay together.
        const int patch = pixel >> 5, r = (patch >> 2) * 4 + (pixel >> 3 & 2) + (pixel >> 2 & 1), c = (patch & 3) * 8 + (pixel >> 1 & 4) + (pixel & 3);
        float source[3], d[3], off[3];
#pragma unroll
        for (int i = 0; i < 3; i++) {
            const float4 axis = axes[i];
            source[i] = axis.w, d[i] = axis.x + (float)c * axis.y + (float)r * axis.z;
            off[i] = aside * (fabsf(axis.y) + fabsf(axis.z));
        }
        const float norm = rsqrtf(d[0] * d[0] + d[1] * d[1] + d[2] * d[2]), x = d[0] * norm, y = d[1] * norm, z = d[2] * norm;
        bool near = false, met = false;
        unsigned first_met = 0;
#pragma unroll 1
        for (int w = 0; w < words; w++) {
            const unsigned here = in_row[w][r] & in_column[w][c], some = here & solid[w];
            near = near || (here & several[w]);
            unsigned kept = 0;
            for (unsigned bits = __reduce_or_sync(ALL, some); bits;) {
                const unsigned one = bits & 0u - bits;
                bits ^= one;
                const float4 ball = __ldg(&seen[entries[32 * w + 31 - __clz(one)].x]);
                kept |= ball.x * x + ball.y * y + ball.z * z >= ball.w ? one : 0u;
            }
            kept &= some;
            met = met || (kept & metal[w]);
            if (w == 0) first_met = kept;
        }
        const bool inside = row0 + r < rows && column0 + c < columns;
        bool bent = false;
        if (near && !met)
#pragma unroll 1
            for (int n = 0; n < crossings && !bent; n++) bent = boxes.bent(crossed[n], source, d, off);
        // 0: sub-rays; 1: one ray; 2: one ray, no solids.
        const int kind = near && (met || bent) ? 0 : met ? 1 : 2;
#if PART
        // Until its own is known, a pixel's variance holds them.
        if (inside && kind < 2) variance[(image * rows + row0 + r) * columns + column0 + c] = __int_as_float((int)first_met);
#else
        touched[r * WIDE + c] = first_met;
#endif
#pragma unroll
        for (int which = 0; which < 3; which++) {
            bool wanted = inside && kind == which;
            unsigned votes = __ballot_sync(ALL, wanted);
            int base = 0;
            if (lane == 0 && votes) base = atomicAdd(&found[which], __popc(votes));
            base = __shfl_sync(ALL, base, 0);
            const int at = base + __popc(votes & ((1u << lane) - 1u));
            if (wanted) (which == 2 ? idle : busy)[which == 1 ? AREA - 1 - at : at] = (short)(r * WIDE + c);
        }
    }
#endif
    __syncthreads();
    const float home = sqrtf(axes[0].w * axes[0].w + axes[1].w * axes[1].w + axes[2].w * axes[2].w);
    int turn = 0, turns = 0;
#if PART == 1
    if (thread < 2 && words > 0) facts[5 + thread] = found[thread];
    turn = lane == 0 ? atomicAdd(&next_turn, 1) : 0;
    turn = __shfl_sync(ALL, turn, 0);
#else
    const int rays = edge * edge, each = 32 / rays, group = lane / rays, sub = lane % rays;
    const float middle = 0.5f * (float)(edge - 1), share = 1.0f / (float)rays;
    const float right = __fdividef((float)(sub % edge) - middle, (float)edge), below = __fdividef((float)(sub / edge) - middle, (float)edge);
    const int near_turns = (found[0] + each - 1) / each;
    turns = near_turns + (found[1] + 31 >> 5);
    while (true) {
        // Turns are handed out: they differ much in work.
        turn = lane == 0 ? atomicAdd(&next_turn, 1) : 0;
        turn = __shfl_sync(ALL, turn, 0);
        if (turn >= turns) break;
        const bool near = turn < near_turns;
        const int which = near ? turn * each + group : (turn - near_turns) * 32 + lane;
        bool known = which < found[near ? 0 : 1] && (!near || group < each);
        const unsigned pixel = (unsigned short)busy[!known ? (near ? 0 : AREA - 1) : near ? which : AREA - 1 - which];
        const int at = (image * rows + row0 + (int)(pixel / WIDE)) * columns + column0 + (int)(pixel % WIDE);
        const float along = (float)(pixel % WIDE) + (near ? right : 0.0f), down = (float)(pixel / WIDE) + (near ? below : 0.0f);
#if PART
        const unsigned first_met = known ? (unsigned)__float_as_int(variance[at]) : 0u;
#else
        const unsigned first_met = touched[pixel];
#endif
        Ray ray;
        ray.dx = axes[0].x + along * axes[0].y + down * axes[0].z;
        ray.dy = axes[1].x + along * axes[1].y + down * axes[1].z;
        ray.dz = axes[2].x + along * axes[2].y + down * axes[2].z;
        const float norm = rsqrtf(ray.dx * ray.dx + ray.dy * ray.dy + ray.dz * ray.dz);
        ray.dx *= norm, ray.dy *= norm, ray.dz *= norm;
        const float iz = ray.dz == 0.0f ? LARGE : __fdividef(1.0f, ray.dz);
        float solder = 0.0f, second = 0.0f, copper = 0.0f, sunk = 0.0f;
        // Rays that are no simple sum, and necks, wait until the items are done: joints (or ~neck) in `later`, a bit of
        // `left` each. A full list is worked off on the way.
        int w = 0, waiting = 0;
        // Bits of items that this ray, that any ray of the warp may meet. That a lane adds its own bits keeps the compiler from
        // moving all that follows to where uniform values are reckoned, which takes more steps.
        unsigned mine = first_met, bits = __reduce_or_sync(ALL, mine) | mine, left = 0, one = 0;
        int2 entry;
        // The next item that a ray of the warp may meet; whether this one may, `one` of `mine` tells.
        auto fetch = [&] {
            while (bits == 0) {
                if (++w >= words) {
                    entry.y = REST | NOBODY << OWNER;
                    return;
                }
                mine = in_row[w][pixel / WIDE] & in_column[w][pixel % WIDE] & solid[w];
                bits = __reduce_or_sync(ALL, mine) | mine;
            }
            one = bits & 0u - bits;
            entry = ENTRY(32 * w + 31 - __clz(one));
            bits ^= one;
        };
        auto postpone = [&](int who, bool slow) {
            if (lane == 0) later[warp][waiting] = who;
            left |= (unsigned)slow << waiting++;
        };
        auto start = [&](int k) {
            const float way = __ldg(&ways[k]);
            ray.x = axes[0].w + way * ray.dx, ray.y = axes[1].w + way * ray.dy, ray.z = axes[2].w + way * ray.dz;
        };
        fetch();
        while (true) {
            const int owner = entry.y >> OWNER;
            const bool last = (entry.y & 7) == REST;
            if (waiting && (last || waiting == LATER)) {
                __syncwarp();
#pragma unroll 1
                for (int n = 0; n < waiting; n++) {
                    const int who = later[warp][n];
                    if (left >> n & 1u) {
                        const float2 lengths = slow_length(s, frame, who < 0 ? who : __ldg(&items[who - 1].y), ray);
                        solder += lengths.x, second += lengths.y;
                    }
                }
                __syncwarp();
                waiting = 0, left = 0;
            }
            if (last) break;
            float begin, end;
            if (owner < 0) {
                bool wanted = mine & one;
                if (owner != NOBODY) postpone(owner, wanted);
                else {
                    start(entry.x);
                    float length;
                    if ((entry.y >> 4 & (SHEARED | CLOSED)) == (SHEARED | CLOSED)) {
                        const bool met = between(flank(s.prims, entry.x, true, ray), true, iz, begin, end);
                        length = met && wanted ? end - begin : 0.0f;
                    } else {
                        const float3 odd = odd_way(s.prims, entry.x, entry.y >> 4, ray);
                        length = wanted ? fmaxf(odd.y - odd.x, 0.0f) + odd.z : 0.0f;
                    }
                    length = (entry.y >> 4 & 7) == VOID ? -length : length;
                    copper += length, sunk += (entry.y & 7) == SUNK ? length : 0.0f;
                }
                fetch();
                continue;
            }
            Sum sum;
            sum.clear();
            start(entry.x);
            // Bodies come first, gaps next: what no ray of the warp finds of them spares it what is taken from them.
            do {
                const int role = entry.y >> 4 & 7;
                bool wanted = mine & one;
                if (role != BODY) {
                    wanted = wanted && sum.some() && ((role != KEEP && role != PATCH) || !sum.gap.none());
                    if (!__any_sync(ALL, wanted)) {
                        fetch();
                        continue;
                    }
                }
                if ((entry.y >> 4 & (SHEARED | CLOSED)) == (SHEARED | CLOSED))
                    wanted = between(flank(s.prims, entry.x, true, ray), true, iz, begin, end) && wanted;
                else {
                    const float3 odd = odd_way(s.prims, entry.x, entry.y >> 4, ray);
                    begin = odd.x, end = odd.y;
                    // A second interval, behind the waist of a primitive, is left to the slow way.
                    if (wanted && odd.z > 0.0f) sum.simple = false;
                    wanted = wanted && end > begin;
                }
                if (role == BODY) sum.put(sum.a, sum.b, wanted, begin, end);
                else if (role == VOID) sum.remove(wanted, begin, end);
                else if (role == GAP) sum.put(sum.gap, sum.other, wanted, begin, end);
                else sum.put(sum.keep, sum.patch, wanted, begin, end);
                fetch();
            } while (entry.y >> OWNER == owner);
            bool slow = !sum.simple;
            if (!__any_sync(ALL, slow || sum.some())) continue;
            // The second alloy, if the joint has one, lies in one primitive behind all others.
            const int mix = owner - 1, shape = shape_of(s.prims, mix);
            const bool mixed = (shape & 7) == MIX;
            const bool some = sum.some();
            sum.close();
            slow = !sum.simple || (mixed && !(shape & CLOSED) && some);
            begin = -LARGE, end = slow ? -LARGE : LARGE;
#pragma unroll 1
            for (int part = 0;; part++) {
                const float length = begin < end ? sum.metal(begin, end) : 0.0f;
                if (part) second += length;
                else solder += length;
                if (part || !mixed) break;
                const bool met = between(flank(s.prims, mix, shape & SHEARED, ray), shape & SHEARED, iz, begin, end);
                end = met && !slow ? end : begin;
            }
            if (__any_sync(ALL, slow)) postpone(owner, slow);
        }
        const float ix = ray.dx == 0.0f ? LARGE : __fdividef(1.0f, ray.dx);
        const float iy = ray.dy == 0.0f ? LARGE : __fdividef(1.0f, ray.dy);
        Filling filling = {0.0f, 0.0f, 0.0f};
        ray.x = axes[0].w + home * ray.dx, ray.y = axes[1].w + home * ray.dy, ray.z = axes[2].w + home * ray.dz;
#pragma unroll 1
        for (int n = 0; n < crossings; n++) boxes.through(crossed[n], ray, ix, iy, iz, filling);
        copper += fabsf(filling.copper + flat.copper * iz);
        const float laminate = fmaxf(fabsf(filling.laminate + flat.laminate * iz) - sunk, 0.0f);
        const float silicon = fabsf(filling.silicon + flat.silicon * iz);
        solder -= second;
        const float2 mean = behind<true>({solder, copper, laminate, silicon, second}, few, energy, energies);
        float passed = mean.x, spread = mean.y;
        if (near) {
            // Sub-rays of one pixel are neighbours in the warp.
            float p = passed, q = spread;
            if (rays == 4) {
                p += __shfl_xor_sync(ALL, p, 1), q += __shfl_xor_sync(ALL, q, 1);
                p += __shfl_xor_sync(ALL, p, 2), q += __shfl_xor_sync(ALL, q, 2);
            } else {
#pragma unroll 1
                for (int other = 1; other < rays; other++) {
                    p += __shfl_down_sync(ALL, passed, other);
                    q += __shfl_down_sync(ALL, spread, other);
                }
            }
            passed = p * share, spread = q * share;
            known = known && sub == 0;
        }
        if (known) signal[at] = passed, variance[at] = spread;
    }
#endif
#if PART < 2
    // Pixels where no solid is met; in a tile without any item they need no list.
    const int plain = words > 0 ? found[2] : AREA;
    while (true) {
#pragma unroll 1
        for (int which = (turn - turns) * 32 * PLAIN + lane, last = min(which + 32 * PLAIN, plain); which < last; which += 32) {
            const int pixel = words > 0 ? idle[which] : which, r = pixel / WIDE, c = pixel % WIDE;
            Ray ray;
            ray.dx = axes[0].x + (float)c * axes[0].y + (float)r * axes[0].z;
            ray.dy = axes[1].x + (float)c * axes[1].y + (float)r * axes[1].z;
            ray.dz = axes[2].x + (float)c * axes[2].y + (float)r * axes[2].z;
            const float norm = rsqrtf(ray.dx * ray.dx + ray.dy * ray.dy + ray.dz * ray.dz);
            ray.dx *= norm, ray.dy *= norm, ray.dz *= norm;
            const float iz = ray.dz == 0.0f ? LARGE : __fdividef(1.0f, ray.dz);
            Filling filling = {flat.copper * iz, flat.laminate * iz, flat.silicon * iz};
            if (crossings) {
                const float ix = ray.dx == 0.0f ? LARGE : __fdividef(1.0f, ray.dx);
                const float iy = ray.dy == 0.0f ? LARGE : __fdividef(1.0f, ray.dy);
                ray.x = axes[0].w + home * ray.dx, ray.y = axes[1].w + home * ray.dy, ray.z = axes[2].w + home * ray.dz;
#pragma unroll 1
                for (int n = 0; n < crossings; n++) boxes.through(crossed[n], ray, ix, iy, iz, filling);
            }
            const Lengths lengths = {0.0f, fabsf(filling.copper), fabsf(filling.laminate), fabsf(filling.silicon), 0.0f};
            const float2 mean = behind<false>(lengths, few, energy, energies);
            if (row0 + r < rows && column0 + c < columns) {
                const int at = (image * rows + row0 + r) * columns + column0 + c;
                signal[at] = mean.x, variance[at] = mean.y;
            }
        }
        if ((turn - turns + 1) * 32 * PLAIN >= plain) break;
        turn = lane == 0 ? atomicAdd(&next_turn, 1) : 0;
        turn = __shfl_sync(ALL, turn, 0);
    }
#endif
    if (PART == 1 && words > 0) return;
    // What every block of COARSE by COARSE pixels lacks of the whole signal: scatter and glare come from it.
    __syncthreads();
    const int blocks_down = (rows + COARSE - 1) / COARSE, blocks_across = (columns + COARSE - 1) / COARSE;
    for (int i = thread; i < AREA / COARSE; i += THREADS) {
        const int r = row0 + (i >> 5) * COARSE + (i & 7), c = column0 + (i >> 3 & 3) * COARSE, end = min(c + COARSE, columns);
        const float *line = signal + (size_t)(image * rows + r) * columns;
        float sum = 0.0f;
        if (r < rows && end == c + COARSE && columns % 4 == 0) {
            const float4 a = *(const float4 *)(line + c), b = *(const float4 *)(line + c + 4);
            sum = ((a.x + a.y) + (a.z + a.w)) + ((b.x + b.y) + (b.z + b.w));
        } else if (r < rows) for (int column = c; column < end; column++) sum += line[column];
#pragma unroll
        for (int step = 1; step < COARSE; step *= 2) sum += __shfl_xor_sync(ALL, sum, step);
        const float size = (float)(min(r + COARSE, rows) - r) * (float)(end - c);
        if ((i & 7) == 0 && r < rows && c < columns)
            absorbed[((size_t)image * blocks_down + r / COARSE) * blocks_across + c / COARSE] = 1.0f - __fdividef(sum, size);
    }
}
