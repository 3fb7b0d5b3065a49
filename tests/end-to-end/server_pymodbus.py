"""A Modbus TCP server of pymodbus: its arguments are the holding registers of unit 1.

Prints its port, serves until its standard input is closed.
"""

import asyncio
import sys

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


async def main():
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    words = [SimData(0, values=[int(word) for word in sys.argv[1:]], datatype=DataType.REGISTERS)]
    device = SimDevice(1, simdata=(bits, bits, words, words))
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    print(server.transport.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await server.shutdown()


asyncio.run(main())
