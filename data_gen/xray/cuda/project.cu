// The projector of project.py in CUDA C: the same tiles, lists and rules, operation by operation, compiled at run time.
// Shapes and units are those of load.Sent; `prims` holds 20 floats a primitive (matrix, origin, profile, ends, role).
// shapes/chords.py is the source of segment, solder_length and neck_length; the tests hold both against float64.

#define TILE 16
#define AREA (TILE * TILE)
#define THREADS 128
#define WARPS (THREADS / 32)
#define LISTED 768
#define WORDS (LISTED / 32)
#define EVENTS 40
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

// Events of one thread lie THREADS apart in shared memory.
__device__ __forceinline__ int add_events(const float4 *prims, int k, int mark, const Ray &ray, float *times,
                                          signed char *marks, int n) {
    const Chord c = segment(prims, k, ray);
    for (int piece = 0; piece < 2; piece++) {
        float begin = piece ? c.t2 : c.t0, end = piece ? c.t3 : c.t1;
        if (end > begin) {
            if (n + 2 > EVENTS) return EVENTS + 1;
            times[n * THREADS] = begin, marks[n * THREADS] = (signed char)mark;
            times[(n + 1) * THREADS] = end, marks[(n + 1) * THREADS] = (signed char)~mark;
            n += 2;
        }
    }
    return n;
}

__device__ __forceinline__ void sort_events(float *times, signed char *marks, int n) {
    for (int i = 1; i < n; i++) {
        float t = times[i * THREADS];
        signed char m = marks[i * THREADS];
        int j = i - 1;
        while (j >= 0 && times[j * THREADS] > t) {
            times[(j + 1) * THREADS] = times[j * THREADS], marks[(j + 1) * THREADS] = marks[j * THREADS];
            j--;
        }
        times[(j + 1) * THREADS] = t, marks[(j + 1) * THREADS] = m;
    }
}

// Length of metal of one joint and its part in MIX; false if there is no room for its events.
__device__ __noinline__ bool solder_length(const float4 *prims, int first, int last, Ray ray, float *times,
                                           signed char *marks, float &total, float &second) {
    int n = 0;
    for (int k = first; k < last; k++) {
        n = add_events(prims, k, role_of(prims, k), ray, times, marks, n);
        if (n > EVENTS) return false;
    }
    sort_events(times, marks, n);
    // Counts of BODY, VOID, GAP, KEEP, PATCH, MIX, five bits each.
    unsigned inside = 0;
    float before = 0.0f;
    total = second = 0.0f;
    for (int i = 0; i < n; i++) {
        float t = times[i * THREADS];
        int mark = marks[i * THREADS];
        unsigned body = inside & 31u, gone = inside & (31u << 5), gap = inside & (31u << 10);
        if (body && !gone && (!gap || (inside & (1023u << 15)))) {
            total += t - before;
            if (inside >> 25) second += t - before;
        }
        before = t;
        inside += mark >= 0 ? 1u << (5 * mark) : 0u - (1u << (5 * ~mark));
    }
    return true;
}

__device__ __noinline__ bool neck_length(const Scene &s, int neck, Ray ray, float *times, signed char *marks, float &total) {
    int n = 0;
    total = 0.0f;
    for (int k = s.neck_rows[2 * neck]; k < s.neck_rows[2 * neck + 1]; k++) {
        n = add_events(s.prims, k, NECK_MARK, ray, times, marks, n);
        if (n > EVENTS) return false;
    }
    if (n == 0) return true;
    for (int side = 0; side < 2; side++) {
        int joint = s.neck_joints[2 * neck + side];
        for (int k = s.joint_rows[2 * joint]; k < s.joint_rows[2 * joint + 1]; k++)
            if (role_of(s.prims, k) == BODY) {
                n = add_events(s.prims, k, BODY, ray, times, marks, n);
                if (n > EVENTS) return false;
            }
    }
    sort_events(times, marks, n);
    int own = 0, body = 0;
    float before = 0.0f;
    for (int i = 0; i < n; i++) {
        float t = times[i * THREADS];
        int mark = marks[i * THREADS], step = mark >= 0 ? 1 : -1;
        if (own > 0 && body == 0) total += t - before;
        before = t;
        if ((mark >= 0 ? mark : ~mark) == NECK_MARK) own += step;
        else body += step;
    }
    return true;
}

__device__ __forceinline__ float common(float a0, float a1, float b0, float b1) {
    return fmaxf(fminf(a1, b1) - fmaxf(a0, b0), 0.0f);
}

// Bodies of the joint in hand and what voids and gaps take of them, as long as that adds up without sorting.
struct Sum {
    int bodies;
    bool simple, patched, gap;
    float a0, a1, b0, b1, h0, h1, g0, g1, k0, k1, removed;
    __device__ __forceinline__ void clear() {
        bodies = 0, simple = true, patched = gap = false;
        a0 = a1 = b0 = b1 = removed = g0 = g1 = 0.0f;
        h0 = LARGE, h1 = -LARGE, k0 = k1 = LARGE;
    }
    __device__ __forceinline__ void remove(float t0, float t1) {
        simple = simple && (t1 <= h0 || t0 >= h1);
        removed += common(t0, t1, a0, a1) + common(t0, t1, b0, b1) - common(fmaxf(a0, t0), fminf(a1, t1), b0, b1);
    }
    __device__ __forceinline__ void add(int role, float t0, float t1) {
        if (role == BODY) {
            // Voids were measured against the bodies before this one.
            simple = simple && bodies < 2 && h1 < h0;
            if (bodies == 0) a0 = t0, a1 = t1;
            else b0 = t0, b1 = t1;
            bodies++;
        } else if (role == VOID) {
            remove(t0, t1);
            h0 = fminf(h0, t0), h1 = fmaxf(h1, t1);
        } else if (role == GAP) {
            simple = simple && !gap;
            gap = true, g0 = t0, g1 = t1;
        } else if (role == KEEP) {
            simple = simple && k0 == LARGE;
            k0 = t0, k1 = t1;
        } else if (role == PATCH) patched = true;
        else simple = false;
    }
    __device__ __forceinline__ float total() {
        if (gap) {
            if (patched) simple = false;
            float end = fminf(g1, k0), begin = fmaxf(g0, k1);
            if (end > g0) remove(g0, end);
            if (g1 > begin) remove(begin, g1);
        }
        return (a1 - a0) + (b1 - b0) - common(a0, a1, b0, b1) - removed;
    }
};

__device__ __forceinline__ unsigned cover(int first, int last, int start) {
    int low = max(first - start, 0), high = min(last - start, TILE);
    return high > low ? ((1u << (high - low)) - 1u) << low : 0u;
}

extern "C" __global__ void __launch_bounds__(THREADS) project(
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
    __shared__ unsigned in_row[WORDS][TILE], in_column[WORDS][TILE], solid[WORDS], several[WORDS];
    __shared__ float4 sides[BOXES];
    __shared__ float4 layer[BOXES];
    __shared__ int counts[WARPS];
    __shared__ int found[2];
    __shared__ unsigned char pixels[2][AREA];
    __shared__ float frame[12];
    __shared__ float all_times[EVENTS * THREADS];
    __shared__ signed char all_marks[EVENTS * THREADS];
    const int thread = threadIdx.x, lane = thread & 31, warp = thread >> 5;
    const int view = first_view + blockIdx.z, row0 = blockIdx.y * TILE, column0 = blockIdx.x * TILE;
    const short4 *span = spans + (size_t)view * n_items;
    if (thread < 12) frame[thread] = frames[12 * view + thread];
    if (thread < 2) found[thread] = 0;
    int total = 0;
    for (int base = 0; base < n_items; base += THREADS) {
        int k = base + thread;
        bool hit = false;
        if (k < n_items) {
            short4 p = __ldg(&span[k]);
            hit = p.x < row0 + TILE && p.y > row0 && p.z < column0 + TILE && p.w > column0;
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
            down = cover(p.x, p.y, row0), across = cover(p.z, p.w, column0);
            fact = items[3 * k] | items[3 * k + 2] << 3 | items[3 * k + 1] << 4;
        } else if (i == total) down = across = 0xffffu;
        facts[i] = fact;
        for (int r = 0; r < TILE; r++) {
            unsigned a = __ballot_sync(ALL, down >> r & 1u), b = __ballot_sync(ALL, across >> r & 1u);
            if (lane == r) in_row[w][r] = a, in_column[w][r] = b;
        }
        unsigned a = __ballot_sync(ALL, i == total || (fact & 7) != REST), b = __ballot_sync(ALL, fact & 8);
        if (lane == 0) solid[w] = a, several[w] = b;
    }
    __syncthreads();
    for (int pixel = thread; pixel < AREA; pixel += THREADS) {
        int r = pixel / TILE, c = pixel % TILE;
        unsigned near = 0;
        for (int w = 0; w < words; w++) near |= in_row[w][r] & in_column[w][c] & several[w];
        bool inside = row0 + r < rows && column0 + c < columns;
        for (int which = 0; which < 2; which++) {
            bool wanted = inside && (near != 0) == (which == 0);
            unsigned votes = __ballot_sync(ALL, wanted);
            int base = 0;
            if (lane == 0) base = atomicAdd(&found[which], __popc(votes));
            base = __shfl_sync(ALL, base, 0);
            if (wanted) pixels[which][base + __popc(votes & ((1u << lane) - 1u))] = (unsigned char)pixel;
        }
    }
    __syncthreads();
    const int rays = edge * edge, each = 32 / rays, group = lane / rays, sub = lane % rays;
    const float step = pixel_mm / (float)edge, middle = 0.5f * (float)(edge - 1);
    const float right = ((float)(sub % edge) - middle) * step, below = ((float)(sub / edge) - middle) * step;
    const int near_turns = (found[0] + each - 1) / each, turns = near_turns + ((found[1] + 31) >> 5);
    float *times = all_times + thread;
    signed char *marks = all_marks + thread;
    for (int turn = warp; turn < turns; turn += WARPS) {
        const bool near = turn < near_turns;
        const int which = near ? turn * each + group : (turn - near_turns) * 32 + lane;
        bool known = which < found[near ? 0 : 1] && (!near || group < each);
        const int pixel = pixels[near ? 0 : 1][known ? which : 0], r = pixel / TILE, c = pixel % TILE;
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
                        float metal = sum.total(), mixed = 0.0f;
                        if (!sum.simple && !solder_length(s.prims, s.joint_rows[2 * current],
                                                          s.joint_rows[2 * current + 1], ray, times, marks, metal, mixed))
                            lost[0] = 1;
                        solder += metal, second += mixed;
                    }
                    current = joint;
                    sum.clear();
                    if (joint >= 0) {
                        const float *centre = s.joint_centre + 3 * joint;
                        approach(frame, centre[0], centre[1], centre[2], ray);
                    }
                }
                if (kind != REST && (mine >> place & 1u)) {
                    const int k = listed[32 * w + place];
                    if (kind == NECK) {
                        const float *centre = s.neck_centre + 3 * owner;
                        const float reach = s.neck_radius[owner];
                        if (approach(frame, centre[0], centre[1], centre[2], ray) < reach * reach) {
                            float length;
                            if (!neck_length(s, owner, ray, times, marks, length)) lost[0] = 1;
                            solder += length;
                        }
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
                        } else {
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
