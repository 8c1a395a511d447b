-- Reads the table D, which stands before this text and is made from a dialect file.
-- A frame is matched field by field, and where a field has no length of its own each
-- length that fits is tried: the bytes of a frame have one meaning at most.

local bit = bit or bit32

local fields = {
  frame = ProtoField.string(D.short .. ".frame", "Frame"),
  from = ProtoField.string(D.short .. ".from", "From"),
  check = ProtoField.string(D.short .. ".check", "Check"),
  garbage = ProtoField.bytes(D.short .. ".garbage", "Bytes that are no frame"),
}
for _, name in ipairs(D.names) do
  fields[name] = ProtoField.string(D.short .. "." .. name:gsub("-", "_"), name)
end
local proto = Proto(D.short, D.title)
local list = {}
for _, f in pairs(fields) do list[#list + 1] = f end
proto.fields = list
local bad = ProtoExpert.new(D.short .. ".check.bad", "The check does not match", expert.group.CHECKSUM, expert.severity.ERROR)
proto.experts = {bad}
local eventtype = Field.new("rtacser.eventtype")
local interface = Field.new("frame.interface_id")

-- Numbers are digits and a power of ten, so that they are shown as they are sent.
local function number(negative, digits, exponent)
  if exponent > 0 then digits = digits .. ("0"):rep(exponent) exponent = 0 end
  local places = -exponent
  if #digits <= places then digits = ("0"):rep(places + 1 - #digits) .. digits end
  local whole = digits:sub(1, #digits - places):gsub("^0+(%d)", "%1")
  if places > 0 then whole = whole .. "." .. digits:sub(#digits - places + 1) end
  if negative and whole:find("[1-9]") then whole = "-" .. whole end
  return whole
end

local function counted(n, count)
  return number(count < 0, ("%.0f"):format(math.abs(count)), n.exponent or 0)
end

local function ordered(s, little)
  if little then s = s:reverse() end
  return s
end

local function unsigned(s, little)
  local v = 0
  for i = 1, #s do v = v * 256 + ordered(s, little):byte(i) end
  return v
end

local function signed(v, bits, sign)
  local half = 2 ^ (bits - 1)
  if sign == nil or sign == "none" or v < half then return v end
  if sign == "twos" then return v - 2 ^ bits end
  if sign == "ones" then return v - 2 ^ bits + 1 end
  return half - v -- magnitude
end

-- with notes a field's value and place and goes on; both are taken back if that fails.
local function with(c, n, value, a, b, go)
  local term, name = n.term or "", n.name or ""
  local at, known, mark = #c.out, c.known[term], c.marks[name]
  if value ~= nil then
    c.out[at + 1] = {name = term, value = value, from = a, to = b}
    c.known[term] = value
  end
  c.marks[name] = {a, b}
  if go(b) then return true end
  for i = #c.out, at + 1, -1 do c.out[i] = nil end
  c.known[term], c.marks[name] = known, mark
  return false
end

-- void gives the reason that a text stands for, or nothing.
local function void(n, s)
  for _, v in ipairs(n.void or {}) do
    if v[2] == s then return v[1] end
  end
end

-- lengths tries each length that a field may have.
local function lengths(n, c, a, least, most, read, go)
  local from, to = n.width or math.min(most, #c.s - a), n.width or least
  for width = from, to, -1 do
    if a + width <= #c.s then
      local s = c.s:sub(a + 1, a + width)
      local ok, value
      if n.absent == s then ok = true
      else
        value = void(n, s)
        if value == nil then value = read(s) end
        ok = value ~= nil
      end
      if ok and with(c, n, value, a, a + width, go) then return true end
    end
  end
  return false
end

local match -- all fields of a list from the i-th on, then what follows them

local kinds = {}

function kinds.literal(n, c, a, go)
  local b = a + #n.bytes
  return c.s:sub(a + 1, b) == n.bytes and with(c, n, nil, a, b, go)
end

function kinds.decimal(n, c, a, go)
  return lengths(n, c, a, 0, n.longest or 20, function(s)
    if n.pad ~= "0" then s = s:gsub("^" .. "%" .. n.pad .. "+", "") end
    local sign, whole, point, rest = s:match("^([+-]?)(%d*)(%.?)(%d*)$")
    if not sign or whole .. rest == "" then return nil end
    if n.mark == "none" then
      if point ~= "" then return nil end
      return number(sign == "-", whole, (n.exponent or 0) - n.decimals)
    end
    if n.decimals and n.decimals ~= #rest then return nil end
    return number(sign == "-", whole .. rest, (n.exponent or 0) - #rest)
  end, go)
end

function kinds.hex(n, c, a, go)
  return lengths(n, c, a, 1, n.longest or 12, function(s)
    if s:find("[^0-9A-Fa-f]") then return nil end
    return counted(n, signed(tonumber(s, 16), 4 * #s, n.sign))
  end, go)
end

function kinds.int(n, c, a, go)
  if a + n.size > #c.s then return false end
  local v = unsigned(c.s:sub(a + 1, a + n.size), n.little)
  return with(c, n, void(n, v) or counted(n, signed(v, 8 * n.size, n.sign)), a, a + n.size, go)
end

function kinds.text(n, c, a, go)
  return lengths(n, c, a, 0, n.longest or 64, function(s)
    if s:find("[^ -~]") then return nil end
    if n.value and s ~= n.value then return nil end
    if n.width then s = s:gsub("%" .. n.pad .. "+$", "") end
    return s
  end, go)
end

local function choose(n, c, a, go)
  for _, v in ipairs(n.is) do
    local b = a + #v[2]
    if c.s:sub(a + 1, b) == v[2] and with(c, n, v[1], a, b, go) then return true end
  end
  return false
end
kinds.choice = choose
kinds.flag = choose

function kinds.flags(n, c, a, go)
  local b = a + n.size
  if b > #c.s then return false end
  local all = unsigned(c.s:sub(a + 1, b), n.little)
  local function from(i)
    local p = n.bits[i]
    if not p then return with(c, n, nil, a, b, go) end
    local v = math.floor(all / 2 ^ p.low) % 2 ^ (p.high - p.low + 1)
    local value
    if p.flag then value = v == 1 and "yes" or "no"
    elseif p.is then
      for _, w in ipairs(p.is) do if w[2] == v then value = w[1] end end
      if not value then return false end
    else value = counted(p, signed(v, p.high - p.low + 1, p.sign)) end
    return with(c, p, value, a, b, function() return from(i + 1) end)
  end
  return from(1)
end

function kinds.when(n, c, a, go)
  local known = n.asks and c.known[n.asks]
  local yes, no = true, true
  if known ~= nil and n.asks then
    local holds
    if n.equal then holds = known == n.equal else holds = known ~= "no" and known ~= "0" end
    yes, no = holds, not holds
  end
  return yes and match(n.fields, 1, c, a, go) or no and match(n.otherwise, 1, c, a, go)
end

function kinds.each(n, c, a, go)
  local count = tonumber(n.count) or tonumber(c.known[n.count])
  local function from(i, at)
    if count and i > count then return go(at) end
    local function group(p) return match(n.fields, 1, c, p, function(q) return from(i + 1, q) end) end
    local more
    if i == 1 or n.between == "" then more = group(at)
    elseif c.s:sub(at + 1, at + #n.between) == n.between then more = group(at + #n.between) end
    return more or not count and i > 1 and go(at)
  end
  return from(1, a)
end

function kinds.skip(n, c, a, go)
  local b = n.bytes and a + n.bytes or #c.s
  return b <= #c.s and with(c, n, nil, a, b, go)
end

function kinds.space(n, c, a, go)
  local b = a + #c.s:sub(a + 1):match("^%s*")
  return (b > a or n.any) and with(c, n, nil, a, b, go)
end

local function reflected(v, bits)
  local r = 0
  for i = 0, bits - 1 do
    if math.floor(v / 2 ^ i) % 2 == 1 then r = r + 2 ^ (bits - 1 - i) end
  end
  return r
end

-- sum computes a check: the parametric model of a CRC, bit by bit, or a plain sum.
local function sum(check, s)
  if check.kind == "xor" then
    local x = 0
    for i = 1, #s do x = bit.bxor(x, s:byte(i)) end
    return x
  elseif check.kind == "sum" then
    local x = 0
    for i = 1, #s do x = x + s:byte(i) end
    if check.negated then x = -x elseif check.inverted then x = -x - 1 end
    return x % 2 ^ check.bits
  end
  local r, top = check.init, 2 ^ (check.bits - 1)
  for i = 1, #s do
    local b = s:byte(i)
    for j = 7, 0, -1 do
      local k = check.reflectIn and 7 - j or j
      local one = math.floor(b / 2 ^ k) % 2 == 1
      local high = r >= top
      r = (r % top) * 2
      if one ~= high then r = bit.bxor(r, check.poly) % 4294967296 end
    end
  end
  if check.reflectOut then r = reflected(r, check.bits) end
  return bit.bxor(r, check.xorOut) % 4294967296
end

-- written is a check as it is sent.
local function written(n, v)
  if n.form == "decimal" then return ("%0" .. n.width .. ".0f"):format(v) end
  local s = ""
  for _ = 1, n.form == "hex" and math.ceil(n.width / 2) or n.width do
    s = string.char(v % 256) .. s
    v = math.floor(v / 256)
  end
  s = ordered(s, n.little)
  if n.form == "hex" then s = s:gsub(".", function(b) return ("%02X"):format(b:byte()) end):sub(-n.width) end
  return s
end

local function shown(n, s)
  if n.form ~= "binary" then return s end
  return (s:gsub(".", function(b) return ("%02X"):format(b:byte()) end))
end

local function verified(c, n, over, a, b, go)
  local got, want = c.s:sub(a + 1, b), written(n, sum(n.check, over))
  local good = n.form == "hex" and got:upper() == want or got == want
  if c.strict and not good then return false end
  local value = shown(n, got) .. (good and " (good)" or " (bad: " .. shown(n, want) .. " would be right)")
  return with(c, {term = "check", name = n.name}, value, a, b, function(p)
    if not good then c.bad = true end
    return go(p)
  end)
end

function kinds.check(n, c, a, go)
  if a + n.width > #c.s then return false end
  local from, to = 0, a
  if n.from then from = tonumber(n.from) or c.marks[n.from][1] end
  if n.to then to = tonumber(n.to) and tonumber(n.to) + 1 or c.marks[n.to][2] end
  return verified(c, n, c.s:sub(from + 1, to), a, a + n.width, go)
end

function match(nodes, i, c, a, go)
  local n = nodes[i]
  if not n then return go(a) end
  return kinds[n.kind](n, c, a, function(b) return match(nodes, i + 1, c, b, go) end)
end

-- decoded finds the frame whose fields a body has, first one whose checks are good.
local function decoded(frames, body)
  for _, strict in ipairs({true, false}) do
    for _, f in ipairs(frames) do
      local c = {s = body, out = {}, known = {}, marks = {}, strict = strict}
      if match(f.fields, 1, c, 0, function(b) return b == #body end) then return f.name, c end
    end
  end
end

-- Framings cut a stream into frames. Each returns where the body stands, where the
-- frame ends and whether its own check is good; nothing while bytes are missing.
local framings = {}

function framings.delimited(f, s, a)
  local first, last
  for _, e in ipairs(f.ends) do
    local p, q = s:find(e, a + 1, true)
    if p and (not first or p < first) then first, last = p, q end
  end
  if first then return a + #f.start, first - 1, last end
end

function framings.length(f, s, a)
  local at = a + #f.start
  if #s < at + f.size then return end
  local stop = at + f.size + unsigned(s:sub(at + 1, at + f.size), f.little) - f.plus
  if #s < stop then return end
  local tail = f.check and f.check.width or 0
  return at + f.size, stop - tail, stop
end

function framings.fixed(f, s, a)
  if #s < a + f.bytes then return end
  return a + #f.start, a + f.bytes - (f.check and f.check.width or 0), a + f.bytes
end

function framings.bracketed(f, s, a)
  if f.alone:find(s:sub(a + 1, a + 1), 1, true) then return a, a + 1, a + 1, true end
  local p, q = s:find(f.ends[1], a + 1, true)
  if not p then return end
  local tail = f.check and f.check.width or 0
  if f.checkAfterEnd then
    if #s < q + tail then return end
    return a + #f.start, p - 1, q + tail
  end
  return a + #f.start, p - 1 - tail, q
end

-- begins is where the next frame of a framing may begin.
local function begins(f, s, a)
  if f.start == "" then return a end
  local p = s:find(f.start, a + 1, true)
  for i = a + 1, p and p - 1 or #s do
    if f.alone ~= "" and f.alone:find(s:sub(i, i), 1, true) then return i - 1 end
  end
  return p and p - 1
end

-- cut takes the whole frames off the stream of one side, and returns what is left.
local function cut(side, s)
  local f, a, found = side.framing, 0, {}
  while a < #s do
    local start = begins(f, s, a)
    if not start then
      found[#found + 1] = {raw = s:sub(a + 1)}
      return found, ""
    end
    if start > a then found[#found + 1] = {raw = s:sub(a + 1, start)} end
    local from, to, stop, alone = framings[f.kind](f, s, start)
    if not from then return found, s:sub(start + 1) end
    local piece = {raw = s:sub(start + 1, stop), from = from - start}
    if to < from or stop - start > f.longest + 16 then
      stop, piece = start + 1, {raw = s:sub(start + 1, start + 1)}
    else
      piece.name, piece.c = decoded(side.frames, s:sub(from + 1, to))
      if piece.c and f.check and not alone then
        local at = f.checkAfterEnd and stop - f.check.width or to
        local first = f.covers == "all" and start or start + #f.start -- a length field is covered with the body
        local over = s:sub(first + 1, f.covers ~= "all" and f.covers ~= "body-and-end" and to or at)
        local c = {s = s, out = piece.c.out, known = {}, marks = {}}
        verified(c, f.check, over, at, at + f.check.width, function() return true end)
        local last = piece.c.out[#piece.c.out]
        last.from, last.to = last.from - from, last.to - from
        piece.c.bad = piece.c.bad or c.bad
      end
    end
    found[#found + 1] = piece
    a = stop
  end
  return found, ""
end

local left, pieces = {}, {}

function proto.init() left, pieces = {}, {} end

function proto.dissector(tvb, pinfo, tree)
  local kind = eventtype()
  local side = (kind and (kind.value == 1 or kind.value == 3)) and "host" or "gauge"
  if not pieces[pinfo.number] then
    local on = interface()
    local key = side .. (on and on.value or "")
    pieces[pinfo.number], left[key] = cut(D[side], (left[key] or "") .. tvb():raw())
  end
  pinfo.cols.protocol = D.title
  local names = {}
  for _, p in ipairs(pieces[pinfo.number]) do
    local bytes = ByteArray.new(p.raw, true):tvb(p.name or "garbage")
    if not p.name then
      tree:add(fields.garbage, bytes())
    else
      names[#names + 1] = p.name
      local branch = tree:add(proto, bytes(), D.title .. ": " .. p.name)
      branch:add(fields.frame, bytes(), p.name)
      branch:add(fields.from, bytes(), side)
      for _, v in ipairs(p.c.out) do
        local item = branch:add(fields[v.name], bytes(p.from + v.from, v.to - v.from), v.value)
        if v.name == "check" and p.c.bad then item:add_proto_expert_info(bad) end
      end
    end
  end
  if #names > 0 then pinfo.cols.info = side .. ": " .. table.concat(names, ", ") end
  return tvb:len()
end

DissectorTable.get("rtacser.data"):add_for_decode_as(proto)
