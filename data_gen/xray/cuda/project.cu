// The projector of project.py in CUDA C: the same tiles, lists and rules, operation by operation, compiled at run time.
// Shapes and units are those of load.Sent; `prims` holds 20 floats a primitive (matrix, origin, profile, ends, role).
// shapes/chords.py is the source of segment, solder_length and neck_length; the tests hold both against float64.

#define WIDE 32
#define TALL 32
#define AREA (WIDE * TALL)
#define THREADS 256
#define BLOCKS 3
#define WARPS (THREADS / 32)
#define LISTED 1024
#define WORDS (LISTED / 32)
#define EVENTS 26
#define BOXES 48
#define ALL 0xffffffffu
#define LARGE 1e30f

enum { BODY, VOID, GAP, KEEP, PATCH, MIX, NECK_MARK };
enum { JOINT, NECK, COPPER_IN_AIR, SUNK, REST };
enum { SOLDER, COPPER, LAMINATE, SILICON };

struct Ray { float x, y, z, dx, dy, dz; };
struct Chord { float t0, t1, t2, t3; };

struct Scene {
    const float4 *prims, *balls;
    const int *joint_rows, *neck_rows, *neck_joints;
    const float *joint_centre, *neck_centre, *neck_radius;
};

__device__ __forceinline__ int role_of(const float4 *prims, int k) { return __float_as_int(__ldg(&prims[5 * k + 4].y)); }

__device__ __forceinline__ float approach(const float *source, float cx, float cy, float cz, Ray &ray) {
    float wx = source[0] - cx, wy = source[1] - cy, wz = source[2] - cz;
    float t = -(wx * ray.dx + wy * ray.dy + wz * ray.dz);
    wx += t * ray.dx, wy += t * ray.dy, wz += t * ray.dz;
    ray.x = cx + wx, ray.y = cy + wy, ray.z = cz + wz;
    return wx * wx + wy * wy + wz * wz;
}

__device__ __forceinline__ Chord segment(const float4 *prims, int k, const Ray &r) {
    const float4 A = __ldg(&prims[5 * k]), B = __ldg(&prims[5 * k + 1]), C = __ldg(&prims[5 * k + 2]);
    const float4 D = __ldg(&prims[5 * k + 3]);
    const float last = __ldg(&prims[5 * k + 4].x);
    const Chord none = {0.0f, 0.0f, 0.0f, 0.0f};
    float px = r.x - C.y, py = r.y - C.z, pz = r.z - C.w;
    float qx = A.x * px + A.y * py + A.z * pz;
    float qy = A.w * px + B.x * py + B.y * pz;
    float qz = B.z * px + B.w * py + C.x * pz;
    float vx = A.x * r.dx + A.y * r.dy + A.z * r.dz;
    float vy = A.w * r.dx + B.x * r.dy + B.y * r.dz;
    float vz = B.z * r.dx + B.w * r.dy + C.x * r.dz;
    float a = D.x, b = D.y, c = D.z, first = D.w;
    float lead = vx * vx + vy * vy - c * vz * vz;
    float half = qx * vx + qy * vy - c * qz * vz - 0.5f * b * vz;
    float rest = qx * qx + qy * qy - a - b * qz - c * qz * qz;
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

// Entries and exits of one thread lie THREADS apart in shared memory; the last four bits of a time hold its mark
// (2 role + exit), which moves it by less than a millionth of itself.
__device__ __forceinline__ int add_events(const float4 *prims, int k, int mark, const Ray &ray, float *events, int n) {
    const Chord c = segment(prims, k, ray);
    for (int piece = 0; piece < 2; piece++) {
        float begin = piece ? c.t2 : c.t0, end = piece ? c.t3 : c.t1;
        if (end > begin) {
            if (n + 2 > EVENTS) return EVENTS + 1;
            events[n * THREADS] = __int_as_float((__float_as_int(begin) & ~15) | 2 * mark);
            events[(n + 1) * THREADS] = __int_as_float((__float_as_int(end) & ~15) | 2 * mark + 1);
            n += 2;
        }
    }
    return n;
}

__device__ __forceinline__ void sort_events(float *events, int n) {
    for (int i = 1; i < n; i++) {
        float t = events[i * THREADS];
        int j = i - 1;
        for (; j >= 0 && events[j * THREADS] > t; j--) events[(j + 1) * THREADS] = events[j * THREADS];
        events[(j + 1) * THREADS] = t;
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
        float t = events[i * THREADS];
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
__device__ __noinline__ float2 solder_length(const float4 *prims, int first, int last, Ray ray, float *events) {
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
__device__ __noinline__ float neck_length(const Scene s, int neck, Ray ray, float *events) {
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

__device__ __forceinline__ float common(float a0, float a1, float b0, float b1) {
    return fmaxf(fminf(a1, b1) - fmaxf(a0, b0), 0.0f);
}

// Bodies of the joint in hand and what voids and gaps take of them, as long as that adds up without sorting.
struct Sum {
    int bodies;
    bool simple, patched, gap;
    float a0, a1, b0, b1, p0, p1, q0, q1, r0, r1, g0, g1, k0, k1, m0, m1, removed, removed_mixed;
    __device__ __forceinline__ void clear() {
        bodies = 0, simple = true, patched = gap = false;
        a0 = a1 = b0 = b1 = removed = removed_mixed = g0 = g1 = m0 = m1 = 0.0f;
        p0 = q0 = r0 = LARGE, p1 = q1 = r1 = -LARGE, k0 = k1 = LARGE;
    }
    // What is removed is kept as up to three intervals apart from each other; one that meets another joins it.
    __device__ __forceinline__ void remove(float t0, float t1) {
        const bool p = t0 < p1 && t1 > p0, q = t0 < q1 && t1 > q0, r = t0 < r1 && t1 > r0;
        float x0 = LARGE, x1 = -LARGE;
        if (p || (!q && !r && p1 < p0)) {
            if (p) x0 = fmaxf(t0, p0), x1 = fminf(t1, p1);
            p0 = fminf(p0, t0), p1 = fmaxf(p1, t1);
            simple = simple && !q && !r;
        } else if (q || (!r && q1 < q0)) {
            if (q) x0 = fmaxf(t0, q0), x1 = fminf(t1, q1);
            q0 = fminf(q0, t0), q1 = fmaxf(q1, t1);
            simple = simple && !r;
        } else if (r || r1 < r0) {
            if (r) x0 = fmaxf(t0, r0), x1 = fminf(t1, r1);
            r0 = fminf(r0, t0), r1 = fmaxf(r1, t1);
        } else simple = false;
        removed += covered(t0, t1) - covered(x0, x1);
        if (m1 > m0)
            removed_mixed += covered(fmaxf(t0, m0), fminf(t1, m1)) - covered(fmaxf(x0, m0), fminf(x1, m1));
    }
    __device__ __forceinline__ float covered(float t0, float t1) const {
        return common(t0, t1, a0, a1) + common(t0, t1, b0, b1) - common(fmaxf(a0, t0), fminf(a1, t1), b0, b1);
    }
    __device__ __forceinline__ void add(int role, float t0, float t1) {
        if (role == BODY) {
            // Voids were measured against the bodies before this one.
            simple = simple && bodies < 2 && p1 < p0;
            if (bodies == 0) a0 = t0, a1 = t1;
            else b0 = t0, b1 = t1;
            bodies++;
        } else if (role == VOID) {
            remove(t0, t1);
        } else if (role == GAP) {
            simple = simple && !gap;
            gap = true, g0 = t0, g1 = t1;
        } else if (role == KEEP) {
            simple = simple && k0 == LARGE;
            k0 = t0, k1 = t1;
        } else if (role == PATCH) patched = true;
        else simple = false;
    }
    // Metal, and its part in MIX.
    __device__ __forceinline__ float2 total() {
        if (gap) {
            if (patched) simple = false;
            float end = fminf(g1, k0), begin = fmaxf(g0, k1);
            if (end > g0) remove(g0, end);
            if (g1 > begin) remove(begin, g1);
        }
        return make_float2((a1 - a0) + (b1 - b0) - common(a0, a1, b0, b1) - removed,
                           m1 > m0 ? covered(m0, m1) - removed_mixed : 0.0f);
    }
};

__device__ __forceinline__ unsigned cover(int first, int last, int start, int size) {
    int low = max(first - start, 0), high = min(last - start, size);
    return high > low ? (ALL >> (32 - (high - low))) << low : 0u;
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) project(
    const float4 *prims, const float4 *balls, const int *joint_rows, const int *neck_rows, const int *neck_joints,
    const float *joint_centre, const float *neck_centre, const float *neck_radius, const int *items,
    const short4 *spans, int n_items, const float *frames, int first_view, const float *u0,
    const float *v0, float pixel_mm, float distance, int edge, const float *bins, int energies, int rows, int columns,
    const float *box_low, const float *box_high, const signed char *box_material, int boxes, float *signal,
    float *variance, int *lost) {
    const Scene s = {prims, balls, joint_rows, neck_rows, neck_joints, joint_centre, neck_centre, neck_radius};
    extern __shared__ float4 energy[];
    __shared__ short listed[LISTED];
    __shared__ int facts[LISTED];
    __shared__ unsigned in_row[WORDS][TALL], in_column[WORDS][WIDE], solid[WORDS], several[WORDS];
    __shared__ float4 sides[BOXES];
    __shared__ float4 layer[BOXES];
    __shared__ int counts[WARPS];
    __shared__ int found[2];
    __shared__ short pixels[2][AREA];
    __shared__ float frame[12];
    __shared__ float all_events[EVENTS * THREADS];
    const int thread = threadIdx.x, lane = thread & 31, warp = thread >> 5;
    const int view = first_view + blockIdx.z, row0 = blockIdx.y * TALL, column0 = blockIdx.x * WIDE;
    const short4 *span = spans + (size_t)view * n_items;
    if (thread < 12) frame[thread] = frames[12 * view + thread];
    if (thread < 2) found[thread] = 0;
    int total = 0;
    for (int base = 0; base < n_items; base += THREADS) {
        int k = base + thread;
        bool hit = false;
        if (k < n_items) {
            short4 p = __ldg(&span[k]);
            hit = p.x < row0 + TALL && p.y > row0 && p.z < column0 + WIDE && p.w > column0;
        }
        unsigned votes = __ballot_sync(ALL, hit);
        if (lane == 0) counts[warp] = __popc(votes);
        __syncthreads();
        int place = total + __popc(votes & ((1u << lane) - 1u));
        for (int other = 0; other < WARPS; other++) {
            int number = counts[other];
            if (other < warp) place += number;
            total += number;
        }
        if (hit && place < LISTED) listed[place] = (short)k;
        __syncthreads();
    }
    if (total > LISTED - 1) {
        total = LISTED - 1;
        if (thread == 0) lost[0] = 1;
    }
    for (int k = thread; k < boxes; k += THREADS) {
        const float *low = box_low + 3 * k, *high = box_high + 3 * k;
        bool alike = k > 0 && low[0] == low[-3] && low[1] == low[-2] && high[0] == high[-3] && high[1] == high[-2];
        sides[k] = make_float4(low[0] - frame[0], high[0] - frame[0], low[1] - frame[1], high[1] - frame[1]);
        layer[k] = make_float4(low[2] - frame[2], high[2] - frame[2], __int_as_float(box_material[k]),
                               __int_as_float(alike));
    }
    for (int e = thread; e < energies; e += THREADS) {
        const float scale = -1.44269504089f;
        energy[2 * e] = make_float4(scale * bins[e], scale * bins[energies + e], scale * bins[2 * energies + e],
                                    scale * bins[3 * energies + e]);
        energy[2 * e + 1] = make_float4(scale * bins[4 * energies + e], bins[5 * energies + e], bins[6 * energies + e], 0.0f);
    }
    // One item more than there are: it meets every pixel and closes the last joint.
    const int words = (total >> 5) + 1;
    for (int w = warp; w < words; w += WARPS) {
        int i = 32 * w + lane, fact = REST;
        unsigned across = 0, down = 0;
        if (i < total) {
            int k = listed[i];
            short4 p = __ldg(&span[k]);
            down = cover(p.x, p.y, row0, TALL), across = cover(p.z, p.w, column0, WIDE);
            fact = items[3 * k] | items[3 * k + 2] << 3 | items[3 * k + 1] << 4;
        } else if (i == total) down = across = ALL;
        facts[i] = fact;
        for (int r = 0; r < TALL; r++) {
            unsigned votes = __ballot_sync(ALL, down >> r & 1u);
            if (lane == r) in_row[w][r] = votes;
        }
        for (int c = 0; c < WIDE; c++) {
            unsigned votes = __ballot_sync(ALL, across >> c & 1u);
            if (lane == c) in_column[w][c] = votes;
        }
        unsigned a = __ballot_sync(ALL, i == total || (fact & 7) != REST), b = __ballot_sync(ALL, fact & 8);
        if (lane == 0) solid[w] = a, several[w] = b;
    }
    __syncthreads();
    for (int pixel = thread; pixel < AREA; pixel += THREADS) {
        // In blocks of 4x2 pixels, so that the rays of one warp stay together.
        int r = pixel / (2 * WIDE) * 2 + (pixel >> 2 & 1), c = pixel % (2 * WIDE) / 8 * 4 + (pixel & 3);
        unsigned near = 0;
        for (int w = 0; w < words; w++) near |= in_row[w][r] & in_column[w][c] & several[w];
        bool inside = row0 + r < rows && column0 + c < columns;
        for (int which = 0; which < 2; which++) {
            bool wanted = inside && (near != 0) == (which == 0);
            unsigned votes = __ballot_sync(ALL, wanted);
            int base = 0;
            if (lane == 0) base = atomicAdd(&found[which], __popc(votes));
            base = __shfl_sync(ALL, base, 0);
            if (wanted) pixels[which][base + __popc(votes & ((1u << lane) - 1u))] = (short)(r * WIDE + c);
        }
    }
    __syncthreads();
    const int rays = edge * edge, each = 32 / rays, group = lane / rays, sub = lane % rays;
    const float step = pixel_mm / (float)edge, middle = 0.5f * (float)(edge - 1);
    const float right = ((float)(sub % edge) - middle) * step, below = ((float)(sub / edge) - middle) * step;
    const int near_turns = (found[0] + each - 1) / each, turns = near_turns + ((found[1] + 31) >> 5);
    float *events = all_events + thread;
    for (int turn = warp; turn < turns; turn += WARPS) {
        const bool near = turn < near_turns;
        const int which = near ? turn * each + group : (turn - near_turns) * 32 + lane;
        bool known = which < found[near ? 0 : 1] && (!near || group < each);
        const int pixel = pixels[near ? 0 : 1][known ? which : 0], r = pixel / WIDE, c = pixel % WIDE;
        const float u = u0[view] + (float)(column0 + c) * pixel_mm + (near ? right : 0.0f);
        const float v = v0[view] + (float)(row0 + r) * pixel_mm + (near ? below : 0.0f);
        Ray ray;
        ray.dx = distance * frame[9] + u * frame[3] + v * frame[6];
        ray.dy = distance * frame[10] + u * frame[4] + v * frame[7];
        ray.dz = distance * frame[11] + u * frame[5] + v * frame[8];
        const float norm = rsqrtf(ray.dx * ray.dx + ray.dy * ray.dy + ray.dz * ray.dz);
        ray.dx *= norm, ray.dy *= norm, ray.dz *= norm;
        ray.x = ray.y = ray.z = 0.0f;
        float solder = 0.0f, second = 0.0f, copper = 0.0f, sunk = 0.0f;
        int current = -1;
        Sum sum;
        sum.clear();
        for (int w = 0; w < words; w++) {
            const unsigned mine = in_row[w][r] & in_column[w][c] & solid[w];
            unsigned bits = __reduce_or_sync(ALL, mine);
            while (bits) {
                const int place = __ffs(bits) - 1, fact = facts[32 * w + place], kind = fact & 7, owner = fact >> 4;
                bits &= bits - 1u;
                const int joint = kind == JOINT ? owner : -1;
                if (joint != current) {
                    if (sum.bodies > 0) {
                        float2 metal = sum.total();
                        if (!sum.simple) {
                            const int *range = s.joint_rows + 2 * current;
                            metal = solder_length(s.prims, range[0], range[1], ray, events);
                        }
                        solder += metal.x, second += metal.y;
                    }
                    current = joint;
                    sum.clear();
                    if (joint >= 0) {
                        const float *centre = s.joint_centre + 3 * joint;
                        approach(frame, centre[0], centre[1], centre[2], ray);
                        // The second alloy, if the joint has one, lies in one primitive behind all others.
                        const int end = s.joint_rows[2 * joint + 1] - 1;
                        if (role_of(s.prims, end) == MIX) {
                            const Chord chord = segment(s.prims, end, ray);
                            sum.m0 = chord.t0, sum.m1 = chord.t1;
                            sum.simple = !(chord.t3 > chord.t2);
                        }
                    }
                }
                if (kind != REST && (mine >> place & 1u)) {
                    const int k = listed[32 * w + place];
                    if (kind == NECK) {
                        const float *centre = s.neck_centre + 3 * owner;
                        const float reach = s.neck_radius[owner];
                        if (approach(frame, centre[0], centre[1], centre[2], ray) < reach * reach)
                            solder += neck_length(s, owner, ray, events);
                    } else {
                        if (kind != JOINT) {
                            const float4 ball = __ldg(&s.balls[k]);
                            approach(frame, ball.x, ball.y, ball.z, ray);
                        }
                        const Chord chord = segment(s.prims, k, ray);
                        const int role = role_of(s.prims, k);
                        if (kind != JOINT) {
                            float length = fmaxf(chord.t1 - chord.t0, 0.0f) + fmaxf(chord.t3 - chord.t2, 0.0f);
                            length = role == VOID ? -length : length;
                            copper += length;
                            sunk += kind == SUNK ? length : 0.0f;
                        } else if (role != MIX || k != s.joint_rows[2 * owner + 1] - 1) {
                            if (chord.t3 > chord.t2) {
                                sum.simple = false;
                                sum.bodies += role == BODY;
                            }
                            if (chord.t1 > chord.t0) sum.add(role, chord.t0, chord.t1);
                        }
                    }
                }
            }
        }
        float laminate = 0.0f, silicon = 0.0f, begin = 0.0f, end = 0.0f;
        const float ix = ray.dx == 0.0f ? LARGE : __fdividef(1.0f, ray.dx);
        const float iy = ray.dy == 0.0f ? LARGE : __fdividef(1.0f, ray.dy);
        const float iz = ray.dz == 0.0f ? LARGE : __fdividef(1.0f, ray.dz);
        for (int k = 0; k < boxes; k++) {
            const float4 z = layer[k];
            if (!__float_as_int(z.w)) {
                const float4 p = sides[k];
                const float x0 = p.x * ix, x1 = p.y * ix, y0 = p.z * iy, y1 = p.w * iy;
                begin = fmaxf(fminf(x0, x1), fminf(y0, y1)), end = fminf(fmaxf(x0, x1), fmaxf(y0, y1));
            }
            const float z0 = z.x * iz, z1 = z.y * iz;
            const float length = fmaxf(fminf(end, fmaxf(z0, z1)) - fmaxf(begin, fminf(z0, z1)), 0.0f);
            const int kind = __float_as_int(z.z);
            if (kind == LAMINATE) laminate += length;
            else if (kind == COPPER) copper += length;
            else silicon += length;
        }
        laminate = fmaxf(laminate - sunk, 0.0f);
        solder -= second;
        float passed = 0.0f, spread = 0.0f;
        for (int e = 0; e < energies; e++) {
            const float4 m = energy[2 * e], n = energy[2 * e + 1];
            const float share = exp2f(m.x * solder + m.y * copper + m.z * laminate + m.w * silicon + n.x * second);
            passed += n.y * share, spread += n.z * share;
        }
        if (near) {
            // Sub-rays of one pixel are neighbours in the warp.
            float p = passed, q = spread;
            for (int other = 1; other < rays; other++) {
                p += __shfl_down_sync(ALL, passed, other);
                q += __shfl_down_sync(ALL, spread, other);
            }
            passed = p / (float)rays, spread = q / (float)rays;
            known = known && sub == 0;
        }
        if (known) {
            const size_t at = ((size_t)(view - first_view) * rows + row0 + r) * columns + column0 + c;
            signal[at] = passed, variance[at] = spread;
        }
    }
}

// First and last + 1 pixel whose area may reach into low .. high on one detector axis that begins at `start`.
__device__ __forceinline__ void span_of(float low, float high, float start, float pixel_mm, int count, short &first,
                                        short &last) {
    first = (short)max(0, (int)floorf(fmaxf(__fdiv_rn(low - start, pixel_mm), -30000.0f)));
    last = (short)min(count, (int)ceilf(fminf(__fdiv_rn(high - start, pixel_mm), 30000.0f)) + 1);
}

struct Panel {
    float u0, v0, pixel_mm, distance;
    int rows, columns;
};

// footprints.footprint: rows and columns that a ball may touch.
__device__ short4 footprint(const float *centre, float radius, const float *frame, const Panel &panel) {
    const float wx = centre[0] - frame[0], wy = centre[1] - frame[1], wz = centre[2] - frame[2];
    const float depth = wx * frame[9] + wy * frame[10] + wz * frame[11];
    short4 out = make_short4(0, 0, 0, 0);
    if (depth <= radius || radius <= 0.0f) return out;
    const float across = wx * frame[3] + wy * frame[4] + wz * frame[5];
    const float down = wx * frame[6] + wy * frame[7] + wz * frame[8];
    const float square = depth * depth - radius * radius, scale = __fdiv_rn(panel.distance, square);
    const float tall = radius * __fsqrt_rn(down * down + square), wide = radius * __fsqrt_rn(across * across + square);
    span_of(scale * (down * depth - tall), scale * (down * depth + tall), panel.v0, panel.pixel_mm, panel.rows, out.x, out.y);
    span_of(scale * (across * depth - wide), scale * (across * depth + wide), panel.u0, panel.pixel_mm, panel.columns,
            out.z, out.w);
    return out;
}

// footprints.outline: rows and columns under the boxes of primitives begin .. end - 1.
__device__ short4 outline(const float *corners, int begin, int end, const float *frame, const Panel &panel) {
    float low_u = LARGE, high_u = -LARGE, low_v = LARGE, high_v = -LARGE;
    for (int n = 8 * begin; n < 8 * end; n++) {
        const float wx = corners[3 * n] - frame[0], wy = corners[3 * n + 1] - frame[1], wz = corners[3 * n + 2] - frame[2];
        const float depth = wx * frame[9] + wy * frame[10] + wz * frame[11];
        if (depth <= 0.0f) return make_short4(0, (short)panel.rows, 0, (short)panel.columns);
        const float scale = __fdiv_rn(panel.distance, depth);
        const float u = scale * (wx * frame[3] + wy * frame[4] + wz * frame[5]);
        const float v = scale * (wx * frame[6] + wy * frame[7] + wz * frame[8]);
        low_u = fminf(low_u, u), high_u = fmaxf(high_u, u), low_v = fminf(low_v, v), high_v = fmaxf(high_v, v);
    }
    short4 out;
    span_of(low_v, high_v, panel.v0, panel.pixel_mm, panel.rows, out.x, out.y);
    span_of(low_u, high_u, panel.u0, panel.pixel_mm, panel.columns, out.z, out.w);
    return out;
}

extern "C" __global__ void shadows(const float4 *balls, int primitives, const float *corners, const int *items, int n_items,
                                   const float *joint_centre, const float *joint_radius, const int *neck_rows,
                                   const float *frames, const float *u0, const float *v0, float pixel_mm, float distance,
                                   int rows, int columns, short4 *out) {
    const int k = blockIdx.x * blockDim.x + threadIdx.x, view = blockIdx.y;
    if (k >= n_items) return;
    const float *frame = frames + 12 * view;
    const Panel panel = {u0[view], v0[view], pixel_mm, distance, rows, columns};
    const int kind = items[3 * k], owner = items[3 * k + 1];
    short4 found = make_short4(0, 0, 0, 0);
    if (kind == JOINT || k >= primitives) {
        found = footprint(joint_centre + 3 * owner, joint_radius[owner], frame, panel);
        if (kind == JOINT) {
            const float4 ball = balls[k];
            const float centre[3] = {ball.x, ball.y, ball.z};
            const short4 own = footprint(centre, ball.w, frame, panel);
            found.x = max(found.x, own.x), found.y = min(found.y, own.y);
            found.z = max(found.z, own.z), found.w = min(found.w, own.w);
        }
    } else if (kind == NECK) found = outline(corners, neck_rows[2 * owner], neck_rows[2 * owner + 1], frame, panel);
    else if (kind != REST) found = outline(corners, k, k + 1, frame, panel);
    out[(size_t)view * n_items + k] = found;
}
