// Boxes along a ray: board, substrate, mould, die and planes of copper; part of project.cu. See boxes.py.

#define BEND 1e-4f

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
