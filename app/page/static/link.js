// The line to the server: words as JSON, pictures as arrays behind a JSON header. Lost, it is taken up again.
const WAIT_MS = [300, 1000, 2000, 4000];

const unpacked = buffer => {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  let at = 4 + length;
  for (const [name, type, count] of header.arrays) {
    header[name] = type === 'u4' ? new Uint32Array(buffer, at, count) : new Float32Array(buffer, at, count);
    at += 4 * count;
  }
  return header;
};

export const link = (query, heard, lost) => {
  let socket, tried = 0, fatal = false;
  const join = () => {
    socket = new WebSocket(`${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/live?${query()}`);
    socket.binaryType = 'arraybuffer';
    socket.onmessage = ({ data }) => {
      tried = 0;
      const message = typeof data === 'string' ? JSON.parse(data) : unpacked(data);
      if (message.fatal) fatal = true;
      heard(message);
    };
    socket.onclose = () => {
      lost(fatal);
      if (!fatal) setTimeout(join, WAIT_MS[Math.min(tried++, WAIT_MS.length - 1)]);
    };
  };
  join();
  return asked => {
    if (socket.readyState !== WebSocket.OPEN) return false;
    socket.send(JSON.stringify(asked));
    return true;
  };
};
