// A small path tracer for random rooms, one source for two compilers: nvcc builds the GPU library, g++ the CPU one.
//
// Every light shines white. One picture comes out per group of lights (0 ceiling, 1 lamps and next rooms, 2 daylight,
// 3 flash or accent), all along the same paths, so that any colours of light can be mixed afterwards.
// Paths are cut after five hits. The layout of a scene is that of scene.py; distances are metres, z is up.
#include <math.h>
#include <stdint.h>

#ifdef __CUDACC__
#define DEV __device__ __forceinline__
#else
#define DEV static inline
#endif

#define HEADER 64
#define MAX_SOLIDS 160
#define SOLID 20      // kind, centre 3, half size 3, rotation 9 (rows: local axes in the world), material, emitter, glow, pad
#define MAX_MATERIALS 64
#define MATERIAL 20
#define MAX_EMITTERS 24
#define EMITTER 16
#define SCENE (HEADER + MAX_SOLIDS * SOLID + MAX_MATERIALS * MATERIAL + MAX_EMITTERS * EMITTER)
#define PLANES 36     // 0 direct light (4 groups x RGB), 12 indirect, 24 view, 27 albedo, 30 emitter share, 31 view share, 32 normal, 35 1/depth
#define GROUPS 4
#define FAR_AWAY 1e9f

enum SolidKind { BOX = 0, BALL = 1, CYLINDER = 2 };
enum EmitterKind { GLOBE = 0, PANEL = 1, WINDOW = 2, SUN = 3, TUBE = 4 };
enum Pattern { PLAIN, STRIPES, CHECKS, TILES, BOARDS, TWO_TONE, FRAMED, DOTS, WEAVE, FRONTS, BOOKS, BRICKS, PLEATS };

struct Vec { float x, y, z; };
DEV Vec vec(float x, float y, float z) { Vec v; v.x = x; v.y = y; v.z = z; return v; }
DEV Vec operator+(Vec a, Vec b) { return vec(a.x + b.x, a.y + b.y, a.z + b.z); }
DEV Vec operator-(Vec a, Vec b) { return vec(a.x - b.x, a.y - b.y, a.z - b.z); }
DEV Vec operator*(Vec a, Vec b) { return vec(a.x * b.x, a.y * b.y, a.z * b.z); }
DEV Vec operator*(Vec a, float s) { return vec(a.x * s, a.y * s, a.z * s); }
DEV float dot(Vec a, Vec b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
DEV Vec unit(Vec a) { return a * (1.f / sqrtf(dot(a, a) + 1e-20f)); }
DEV Vec cross(Vec a, Vec b) { return vec(a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x); }
DEV Vec mix(Vec a, Vec b, float t) { return a * (1 - t) + b * t; }
DEV float clampf(float v, float low, float high) { return fminf(fmaxf(v, low), high); }
DEV Vec load(const float *p) { return vec(p[0], p[1], p[2]); }
DEV Vec any_normal_to(Vec a) { return unit(fabsf(a.z) < .9f ? cross(a, vec(0, 0, 1)) : cross(a, vec(1, 0, 0))); }

// --- random numbers and noise (PCG hash: Jarzynski & Olano, JCGT 9/3, 2020) -----------------------------------
DEV uint32_t pcg(uint32_t &s) {
    s = s * 747796405u + 2891336453u;
    uint32_t w = ((s >> ((s >> 28) + 4u)) ^ s) * 277803737u;
    return (w >> 22) ^ w;
}
DEV float rnd(uint32_t &s) { return (pcg(s) >> 8) * (1.f / 16777216.f); }
DEV float hash3(int a, int b, int c) {
    uint32_t h = (uint32_t)a * 374761393u + (uint32_t)b * 668265263u + (uint32_t)c * 2246822519u;
    h = (h ^ (h >> 13)) * 1274126177u;
    h ^= h >> 16;
    h *= 2654435761u;
    h ^= h >> 15;
    return (h >> 8) * (1.f / 16777216.f);
}
DEV float noise(float x, float y, int seed) {
    float fx = floorf(x), fy = floorf(y);
    int ix = (int)fx, iy = (int)fy;
    float u = x - fx, v = y - fy;
    u = u * u * (3 - 2 * u);
    v = v * v * (3 - 2 * v);
    float a = hash3(ix, iy, seed), b = hash3(ix + 1, iy, seed);
    float c = hash3(ix, iy + 1, seed), d = hash3(ix + 1, iy + 1, seed);
    return (a * (1 - u) + b * u) * (1 - v) + (c * (1 - u) + d * u) * v;
}
DEV Vec hue(float h, float s, float v) {
    float r = fabsf(h * 6 - 3) - 1, g = 2 - fabsf(h * 6 - 2), b = 2 - fabsf(h * 6 - 4);
    return vec(v * (1 - s + s * clampf(r, 0, 1)), v * (1 - s + s * clampf(g, 0, 1)), v * (1 - s + s * clampf(b, 0, 1)));
}
DEV Vec some_colour(float a, float b, float c) {
    return b < .35f ? vec(1, 1, 1) * (.04f + .7f * c) : hue(a, .2f + .75f * b, .05f + .6f * c * c);
}

// --- solids: everything is met in the solid's own axes -----------------------------------------------------------
struct Hit { float t; int solid; Vec normal, at; float u, v; };

DEV Vec to_local(const float *s, Vec a) {
    return vec(s[7] * a.x + s[8] * a.y + s[9] * a.z, s[10] * a.x + s[11] * a.y + s[12] * a.z,
               s[13] * a.x + s[14] * a.y + s[15] * a.z);
}
DEV Vec to_world(const float *s, Vec a) {
    return vec(s[7] * a.x + s[10] * a.y + s[13] * a.z, s[8] * a.x + s[11] * a.y + s[14] * a.z,
               s[9] * a.x + s[12] * a.y + s[15] * a.z);
}
DEV float inverse(float d) { return 1.f / (fabsf(d) < 1e-8f ? 1e-8f : d); }

DEV float meet(const float *s, Vec o, Vec d, float limit) {
    Vec from = o - load(s + 1);
    int kind = (int)s[0];
    if (kind == BALL) {
        float b = dot(from, d), c = dot(from, from) - s[4] * s[4], q = b * b - c;
        if (q < 0) return FAR_AWAY;
        float t = -b - sqrtf(q);
        return (t > 1e-4f && t < limit) ? t : FAR_AWAY;
    }
    Vec l = to_local(s, from), e = to_local(s, d);
    if (kind == BOX) {
        float ix = inverse(e.x), iy = inverse(e.y), iz = inverse(e.z);
        float ax = -l.x * ix, bx = fabsf(s[4] * ix), ay = -l.y * iy, by = fabsf(s[5] * iy), az = -l.z * iz, bz = fabsf(s[6] * iz);
        float t0 = fmaxf(fmaxf(ax - bx, ay - by), az - bz), t1 = fminf(fminf(ax + bx, ay + by), az + bz);
        return (t0 < t1 && t0 > 1e-4f && t0 < limit) ? t0 : FAR_AWAY;
    }
    float A = e.x * e.x + e.y * e.y, B = l.x * e.x + l.y * e.y, C = l.x * l.x + l.y * l.y - s[4] * s[4], best = FAR_AWAY;
    float q = B * B - A * C;
    if (q > 0 && A > 1e-9f) {
        float t = (-B - sqrtf(q)) / A, z = l.z + t * e.z;
        if (t > 1e-4f && fabsf(z) < s[6]) best = t;
    }
    if (fabsf(e.z) > 1e-6f) {
        float t = ((e.z > 0 ? -s[6] : s[6]) - l.z) / e.z, x = l.x + t * e.x, y = l.y + t * e.y;
        if (t > 1e-4f && t < best && x * x + y * y < s[4] * s[4]) best = t;
    }
    return best < limit ? best : FAR_AWAY;
}

DEV void describe(const float *s, Hit &h) {
    Vec from = h.at - load(s + 1);
    if ((int)s[0] == BALL) {
        h.normal = from * (1.f / s[4]);
        h.u = atan2f(from.y, from.x) * s[4];
        h.v = from.z;
        return;
    }
    Vec l = to_local(s, from), n;
    if ((int)s[0] == BOX) {
        float ex = fabsf(fabsf(l.x) - s[4]), ey = fabsf(fabsf(l.y) - s[5]), ez = fabsf(fabsf(l.z) - s[6]);
        if (ex < ey && ex < ez) { n = vec(l.x > 0 ? 1.f : -1.f, 0, 0); h.u = l.y; h.v = l.z; }
        else if (ey < ez) { n = vec(0, l.y > 0 ? 1.f : -1.f, 0); h.u = l.x; h.v = l.z; }
        else { n = vec(0, 0, l.z > 0 ? 1.f : -1.f); h.u = l.x; h.v = l.y; }
    } else if (fabsf(fabsf(l.z) - s[6]) < 1e-3f) {
        n = vec(0, 0, l.z > 0 ? 1.f : -1.f); h.u = l.x; h.v = l.y;
    } else {
        n = vec(l.x / s[4], l.y / s[4], 0); h.u = atan2f(l.y, l.x) * s[4]; h.v = l.z;
    }
    h.normal = to_world(s, n);
}

DEV bool closest(const float *solids, int count, Vec o, Vec d, Hit &h) {
    h.t = 1e8f;
    h.solid = -1;
    for (int i = 0; i < count; i++) {
        float t = meet(solids + i * SOLID, o, d, h.t);
        if (t < h.t) { h.t = t; h.solid = i; }
    }
    if (h.solid < 0) return false;
    h.at = o + d * h.t;
    describe(solids + h.solid * SOLID, h);
    return true;
}

DEV bool blocked(const float *solids, int count, Vec o, Vec d, float limit, int own_emitter) {
    for (int i = 0; i < count; i++) {
        const float *s = solids + i * SOLID;
        if (own_emitter >= 0 && (int)s[17] == own_emitter) continue;
        if (meet(s, o, d, limit) < limit) return true;
    }
    return false;
}

// --- surfaces ------------------------------------------------------------------------------------------------------
DEV Vec print_colour(const float *m, const Hit &h, const float *s, Vec A, Vec B, Vec C) {  // a framed picture
    int seed = (int)m[16];
    float across = fabsf(h.u) / (s[4] > s[5] ? s[4] : s[5]), up = fabsf(h.v) / s[6];
    if (across > .94f || up > .94f) return B;
    if (across > m[15] || up > m[15]) return C;
    float x = h.u / m[13], y = h.v / m[14];
    float a = noise(x, y, seed), b = noise(x * 1.7f + 3, y * 1.7f, seed + 1), c = noise(x * 2.3f, y * 2.3f + 5, seed + 2);
    float k = floorf(a * 6.f) * .17f, turn = k + hash3((int)(k * 99), 1, seed) * .5f;
    return mix(some_colour(turn - floorf(turn), b, c), A, .35f * hash3((int)(k * 77), 5, seed));
}

DEV Vec surface_colour(const float *m, const Hit &h, const float *s) {
    Vec A = load(m + 4), B = load(m + 7), C = load(m + 10);
    float su = m[13], sv = m[14], p = m[15], u = h.u, v = h.v;
    int seed = (int)m[16], a, b;
    if (m[17] > .5f) { float t = u; u = v; v = t; }
    float fu = u / su - floorf(u / su), fv = v / sv - floorf(v / sv);
    switch ((int)m[0]) {
    case PLAIN: return A * (1 + p * (noise(u * 3.1f + 7, v * 3.1f, seed) - .5f));
    case STRIPES: return fu < p ? A : B;
    case CHECKS:
        a = (int)floorf(u / su); b = (int)floorf(v / sv);
        return (((a + b) & 1) ? A : B) * (1 + .12f * (hash3(a, b, seed) - .5f));
    case TILES: case BRICKS:
        b = (int)floorf(v / sv);
        if ((int)m[0] == BRICKS && (b & 1)) u += .5f * su;
        a = (int)floorf(u / su);
        fu = u / su - a;
        if (fu < p || fv < p * su / sv) return B;
        return mix(A, C, hash3(a, b, seed)) * (.93f + .14f * hash3(b, a, seed + 9));
    case BOARDS: {
        b = (int)floorf(v / sv);
        a = (int)floorf(u / su + hash3(b, 3, seed) * 5.f);
        if (fv < .03f) return A * .5f;
        float g = noise(u * 4.f, v * 60.f, seed + b * 7 + a) * .5f + noise(u * 1.3f, v * 19.f, seed + b * 3 + a * 5) * .5f;
        return mix(A, B, g * .6f + .4f * hash3(a, b, seed));
    }
    case TWO_TONE: return fabsf(h.at.z - p) < .03f ? C : (h.at.z < p ? A : B);
    case FRAMED: return print_colour(m, h, s, A, B, C);
    case DOTS: {
        b = (int)floorf(v / sv);
        float uu = u / su + (b & 1) * .5f, x = uu - floorf(uu) - .5f, y = fv - .5f, r = sqrtf(x * x + y * y);
        float w = .26f + .1f * sinf(atan2f(y, x) * m[18]);
        return r < w ? (r < .4f * w ? C : B) : A;
    }
    case WEAVE: return mix(A, B, noise(u * 90.f, v * 90.f, seed) * .6f + noise(u * 12.f, v * 12.f, seed + 3) * .4f);
    case FRONTS: return (fu < p || fv < p * su / sv) ? A * .55f : A;
    case BOOKS: {
        a = (int)floorf(u / su); b = (int)floorf((v + 10.f) / sv);
        float f = (v + 10.f) / sv - b;
        if (f > .93f) return A;
        if (f > .55f + .35f * hash3(a, b, seed + 4)) return A * .25f;
        return some_colour(hash3(a, b, seed), hash3(a, b, seed + 1), hash3(a, b, seed + 2));
    }
    case PLEATS: return mix(A, B, .5f + .5f * sinf(u / su * 6.2832f + 2.f * noise(u * 2.f, 0, seed)));
    }
    return A;
}

DEV Vec outdoors(const float *head, Vec d) {
    float az = atan2f(d.y, d.x), el = d.z;
    int seed = (int)head[55];
    float skyline = .02f + .3f * head[56] * noise(az * 5.f, 0, seed) + .1f * noise(az * 23.f, 1, seed);
    if (el > skyline) {
        Vec sky = mix(load(head + 43), load(head + 40), sqrtf(fminf(el * 1.4f, 1.f)));
        float cloud = noise(az * 3.f, el * 9.f, seed + 2);
        return mix(sky, vec(1.2f, 1.2f, 1.2f), head[57] * cloud * cloud);
    }
    if (el > -.05f) {
        Vec k = mix(load(head + 49), load(head + 52), hash3((int)floorf(az * 6.f), 0, seed));
        return k * (.5f + noise(az * 60.f, el * 60.f, seed + 5));
    }
    return load(head + 46) * (.7f + .6f * noise(az * 30.f, el * 50.f, seed + 7));
}

// --- light ----------------------------------------------------------------------------------------------------------
struct World { const float *head, *solids, *materials, *emitters; int n_solids; };

// Light of emitter k that reaches `o` with normal n, from one random point of it; 0 when hidden.
DEV float light_from(const World &w, int k, Vec o, Vec n, bool far_bounce, uint32_t &st) {
    const float *e = w.emitters + k * EMITTER;
    int kind = (int)e[0];
    float r1 = rnd(st), r2 = rnd(st);
    Vec c = load(e + 4);
    if (kind == SUN) {
        float facing = dot(c, n);
        return facing > 0 && !blocked(w.solids, w.n_solids, o, c, 1e7f, k) ? facing : 0;
    }
    if (kind == GLOBE) {  // cone of directions that meet the globe
        Vec to = c - o;
        float d2 = dot(to, to), R = e[13];
        if (d2 <= R * R * 1.02f) return 0;
        float dist = sqrtf(d2), cos_max = sqrtf(fmaxf(0, 1 - R * R / d2));
        Vec a = to * (1 / dist), b = any_normal_to(a), b2 = cross(a, b);
        float ct = 1 - r1 * (1 - cos_max), sn = sqrtf(fmaxf(0, 1 - ct * ct)), ph = 6.2831853f * r2;
        Vec l = a * ct + b * (sn * cosf(ph)) + b2 * (sn * sinf(ph));
        float facing = dot(l, n);
        if (facing <= 0 || blocked(w.solids, w.n_solids, o, l, dist - R * .98f, k)) return 0;
        return facing * fminf(2.f * (1 - cos_max), far_bounce ? .1f : 2.f);
    }
    Vec u = load(e + 7), v = load(e + 10), to = c + u * (2 * r1 - 1) + v * (2 * r2 - 1) - o;
    float d2 = dot(to, to), dist = sqrtf(d2);
    Vec l = to * (1 / dist), face = cross(u, v);
    float facing = dot(l, n), area = 4 * sqrtf(dot(face, face)), given = kind == TUBE ? 1.f : -dot(l, unit(face));
    if (kind == PANEL && e[14] > 0) given = powf(fmaxf(given, 0), e[14]);
    if (facing <= 0 || given <= 0) return 0;
    float share = facing * given * area / (fmaxf(d2, far_bounce ? area * 2.f + .05f : .01f) * 3.14159f);
    if (kind == WINDOW)
        return blocked(w.solids, w.n_solids, o, l, 1e7f, k) ? 0 : share * (l.z > 0 ? 1.f : .25f);
    return blocked(w.solids, w.n_solids, o, l, dist * .998f, k) ? 0 : share;
}

DEV void gather(const World &w, Vec o, Vec n, Vec through, bool first_hit, int sample, float *acc, uint32_t &st) {
    for (int g = 0; g < GROUPS; g++) {
        int first = (int)w.head[20 + g], count = (int)w.head[24 + g];
        if (!count) continue;
        int draws = first_hit ? (count < 6 ? count : 6) : 1;
        for (int j = 0; j < draws; j++) {
            int pick = draws > 1 ? (j + sample) % count : (count > 1 ? (int)fminf(rnd(st) * count, count - 1) : 0);
            float got = light_from(w, first + pick, o, n, !first_hit, st);
            if (got <= 0) continue;
            got *= w.emitters[(first + pick) * EMITTER + 2] * count / draws;
            acc[g * 3] += through.x * got;
            acc[g * 3 + 1] += through.y * got;
            acc[g * 3 + 2] += through.z * got;
        }
    }
}

struct Path { Vec o, d, through; bool mirror_so_far, shows_lamps, through_mirror, first; };

// Reflect off a mirror or a varnish; false when the path ends.
DEV bool bounce_off_gloss(Path &p, Vec n, float rough, uint32_t &st) {
    if (rough > .12f) p.shows_lamps = false;
    Vec wobble = vec(rnd(st) - .5f, rnd(st) - .5f, rnd(st) - .5f) * rough;
    p.d = unit(p.d - n * (2 * dot(p.d, n)) + wobble);
    return dot(p.d, n) > 0;
}

DEV void record_first(float *acc, Vec albedo, const Hit &h) {
    acc[27] += albedo.x; acc[28] += albedo.y; acc[29] += albedo.z;
    acc[32] += h.normal.x; acc[33] += h.normal.y; acc[34] += h.normal.z;
    acc[35] += 1.f / (h.t + .05f);
}

DEV void trace_path(const World &w, Path &p, int sample, float *acc, uint32_t &st) {
    Hit h;
    for (int depth = 0; depth < 5; depth++) {
        if (!closest(w.solids, w.n_solids, p.o, p.d, h)) {
            if (!p.mirror_so_far) return;
            Vec e = outdoors(w.head, p.d) * p.through;
            acc[24] += e.x; acc[25] += e.y; acc[26] += e.z;
            if (p.first) { acc[31] += 1; acc[27] += .5f; acc[28] += .5f; acc[29] += .5f; }
            return;
        }
        const float *s = w.solids + h.solid * SOLID, *m = w.materials + ((int)s[16]) * MATERIAL;
        int emitter = (int)s[17];
        Vec albedo = surface_colour(m, h, s);
        albedo = vec(clampf(albedo.x, .01f, .92f), clampf(albedo.y, .01f, .92f), clampf(albedo.z, .01f, .92f));
        if (dot(h.normal, p.d) > 0) h.normal = h.normal * -1.f;
        if (p.mirror_so_far && p.shows_lamps && emitter >= 0 && s[18] > 0) {
            const float *e = w.emitters + emitter * EMITTER;
            float glow = s[18] * e[2];
            int g = (int)e[1];
            acc[g * 3] += p.through.x * glow; acc[g * 3 + 1] += p.through.y * glow; acc[g * 3 + 2] += p.through.z * glow;
            if (p.first) acc[30] += 1;
        }
        if (p.first) { record_first(acc, albedo, h); p.first = false; }
        if (depth && p.mirror_so_far) p.through_mirror = true;
        p.o = h.at + h.normal * 1e-3f;
        if (m[3] > .5f && depth < 4) {
            p.through = p.through * albedo;
            if (!bounce_off_gloss(p, h.normal, m[2], st)) return;
            continue;
        }
        if (p.mirror_so_far && m[1] > 0 && depth < 3) {  // varnish: Schlick's share (Schlick 1994)
            float c = 1 + dot(p.d, h.normal), c2 = c * c, share = m[1] * (.04f + .96f * c2 * c2 * c);
            float chance = fminf(.5f, fmaxf(share, .2f));
            if (rnd(st) < chance) {
                p.through = p.through * (share / chance);
                if (!bounce_off_gloss(p, h.normal, m[2], st)) return;
                continue;
            }
            p.through = p.through * ((1 - share) / (1 - chance));
        }
        p.mirror_so_far = false;
        p.through = p.through * albedo;
        bool counts_direct = depth == 0 || p.through_mirror;
        gather(w, p.o, h.normal, p.through, depth == 0, sample, acc + (counts_direct ? 0 : 12), st);
        if (depth == 4) return;
        if (depth > 1) {
            float q = fmaxf(p.through.x, fmaxf(p.through.y, p.through.z));
            if (q < .5f) { if (rnd(st) > q * 2) return; p.through = p.through * (1 / (q * 2)); }
        }
        float turn = 6.2831853f * rnd(st), z = rnd(st), r = sqrtf(z);
        Vec b = any_normal_to(h.normal), b2 = cross(h.normal, b);
        p.d = unit(b * (r * cosf(turn)) + b2 * (r * sinf(turn)) + h.normal * sqrtf(fmaxf(0, 1 - z)));
    }
}

DEV void pixel(const float *scene, const float *solids, int px, int py, int W, int H, int samples, float *out, int plane, int base) {
    World w;
    w.head = scene; w.solids = solids; w.n_solids = (int)scene[0];
    w.materials = scene + HEADER + MAX_SOLIDS * SOLID;
    w.emitters = w.materials + MAX_MATERIALS * MATERIAL;
    uint32_t st = (uint32_t)scene[2] * 9781u + (uint32_t)(py * W + px) * 6271u + 77u;
    pcg(st); pcg(st);
    float acc[PLANES];
    for (int i = 0; i < PLANES; i++) acc[i] = 0;
    int side = (int)(sqrtf((float)samples) + .5f);
    for (int s = 0; s < samples; s++) {
        float jx = ((s % side) + rnd(st)) / side, jy = ((s / side) + rnd(st)) / side;
        float x = (px + jx - W * .5f) / (scene[15] * W), y = (py + jy - H * .5f) / (scene[16] * H);
        float shrink = 1.f / (1.f + scene[17] * (x * x + y * y));  // first-order inverse of the barrel: close enough here
        Path p;
        p.o = load(scene + 3);
        p.d = unit(load(scene + 6) * (x * shrink) + load(scene + 9) * (y * shrink) + load(scene + 12));
        p.through = vec(1, 1, 1);
        p.mirror_so_far = p.shows_lamps = p.first = true;
        p.through_mirror = false;
        trace_path(w, p, s, acc, st);
    }
    for (int i = 0; i < PLANES; i++) out[i * plane + base] = acc[i] / samples;
}

#ifdef __CUDACC__
__global__ void render_kernel(const float *scenes, float *out, int W, int H, int samples) {
    __shared__ float solids[MAX_SOLIDS * SOLID];
    const float *scene = scenes + (size_t)blockIdx.z * SCENE;
    int n = (int)scene[0], t = threadIdx.y * blockDim.x + threadIdx.x;
    for (int i = t; i < n * SOLID; i += blockDim.x * blockDim.y) solids[i] = scene[HEADER + i];
    __syncthreads();
    int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
    if (x < W && y < H)
        pixel(scene, solids, x, y, W, H, samples, out + (size_t)blockIdx.z * PLANES * W * H, W * H, y * W + x);
}
extern "C" int render(const float *scenes, float *out, int n, int W, int H, int samples, void *stream) {
    dim3 block(16, 8), grid((W + 15) / 16, (H + 7) / 8, n);
    render_kernel<<<grid, block, 0, (cudaStream_t)stream>>>(scenes, out, W, H, samples);
    return (int)cudaGetLastError();
}
#else
extern "C" int render(const float *scenes, float *out, int n, int W, int H, int samples, void *) {
    for (int r = 0; r < n; r++) {
        const float *scene = scenes + (long)r * SCENE;
#pragma omp parallel for schedule(dynamic, 4)
        for (int y = 0; y < H; y++)
            for (int x = 0; x < W; x++)
                pixel(scene, scene + HEADER, x, y, W, H, samples, out + (long)r * PLANES * W * H, W * H, y * W + x);
    }
    return 0;
}
#endif
