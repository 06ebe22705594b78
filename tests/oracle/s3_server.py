"""An S3-compatible server of other people (moto) on a port of its own, for the tests of kept originals.

Prints "PORT KEY_ID SECRET" once it serves: a key that may do anything in the bucket `rolls`. From then on every request
must be signed by a key that the server knows. Ends with its standard input.

    .oracle/bin/python tests/oracle/s3_server.py
"""

import json
import os
import sys

# Requests up to here pass unsigned: those below that make the bucket and the key, and no more (counted again below).
FREE = 4
os.environ["INITIAL_NO_AUTH_ACTION_COUNT"] = str(FREE)

import boto3  # noqa: E402
from moto.server import ThreadedMotoServer  # noqa: E402

server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
server.start()
_, port = server.get_host_and_port()
place = {
    "endpoint_url": f"http://127.0.0.1:{port}",
    "region_name": "us-east-1",
    "aws_access_key_id": "nobody",
    "aws_secret_access_key": "nothing",
}
boto3.client("s3", **place).create_bucket(Bucket="rolls")
iam = boto3.client("iam", **place)
iam.create_user(UserName="crossfoot")
allowed = {"Version": "2012-10-17", "Statement": [{"Effect": "Allow", "Action": "s3:*", "Resource": "*"}]}
iam.put_user_policy(UserName="crossfoot", PolicyName="rolls", PolicyDocument=json.dumps(allowed))
key = iam.create_access_key(UserName="crossfoot")["AccessKey"]
try:
    boto3.client("s3", **place).list_buckets()
    sys.exit("a request by a key that nobody has was taken")
except Exception as refusal:  # noqa: BLE001
    assert "InvalidAccessKeyId" in str(refusal), refusal
print(port, key["AccessKeyId"], key["SecretAccessKey"], flush=True)
sys.stdin.read()
server.stop()
